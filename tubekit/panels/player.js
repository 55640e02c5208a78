// Sounds of one note that play in step: the other one is heard at once, at the same place in the note.
// What meters show at that place is below. Everything can be done with keys: space, A, B, arrows.
const FADE_S = 0.004, STEP_S = 0.1;

function render({ model, el }) {
  const made = (tag, parent, more = {}) => {
    const one = Object.assign(document.createElement(tag), more);
    parent.append(one);
    return one;
  };
  const sheet = made("div", el, { className: "tubekit-player" });
  sheet.setAttribute("role", "group");
  sheet.setAttribute("data-lm-suppress-shortcuts", "true");
  const row = made("div", sheet, { className: "tubekit-player-row" }), meters = made("table", sheet, { className: "tubekit-table" });
  const play = made("button", row, { title: "Play or pause (space)" });
  const choice = made("span", row), place = made("input", row, { type: "range", min: 0, step: 0.01, title: "Place in the note" });
  place.setAttribute("aria-label", "place in the note, seconds");
  let context = null, buffers = [], gains = [], nodes = [], begun = 0, at = 0, heard = 0, frame = 0, turn = 0;
  const seconds = () => Math.min(...buffers.map((each) => each.duration));
  const now = () => (nodes.length ? (context.currentTime - begun) % seconds() : at);

  const show = () => {
    const names = model.get("names");
    play.textContent = nodes.length ? "❚❚ Pause" : "▶ Listen";
    [...choice.children].forEach((each, k) => each.setAttribute("aria-pressed", k === heard));
    const here = now(), k = Math.floor(here * model.get("hertz"));
    place.value = here;
    place.setAttribute("aria-valuetext", `${here.toFixed(2)} s`);
    model.get("meters").forEach(({ values }, r) => values.forEach((each, c) => {
      const cell = meters.rows[r + 1].cells[c + 1];
      cell.textContent = each.length ? each[Math.min(k, each.length - 1)] : "";
      cell.style.fontWeight = c === heard && names.length > 1 ? "700" : "";
    }));
    cancelAnimationFrame(frame);
    if (nodes.length) frame = requestAnimationFrame(show);
  };
  const stop = () => {
    if (nodes.length) at = now();
    nodes.forEach((each) => each.stop());
    nodes = [];
  };
  const start = async () => {
    context ??= new AudioContext();
    const mine = ++turn;
    if (!buffers.length) {
      const read = await Promise.all(model.get("sounds").map((each) =>
        context.decodeAudioData(each.buffer.slice(each.byteOffset, each.byteOffset + each.byteLength))));
      if (mine !== turn) return;
      buffers = read;
    }
    await context.resume();
    if (mine !== turn) return;
    begun = context.currentTime - at;
    nodes = buffers.map((buffer, k) => {
      gains[k] = new GainNode(context, { gain: k === heard ? 1 : 0 });
      const node = new AudioBufferSourceNode(context, { buffer, loop: true, loopEnd: seconds() });
      node.connect(gains[k]).connect(context.destination);
      node.start(0, at % seconds());
      return node;
    });
    show();
  };
  const turned = () => { if (nodes.length) { turn += 1; stop(); show(); } else start(); };
  const hear = (k) => {
    if (k >= model.get("names").length) return;
    heard = k;
    if (nodes.length) gains.forEach((each, j) => each.gain.setTargetAtTime(j === k ? 1 : 0, context.currentTime, FADE_S));
    show();
  };
  const go = (to) => {
    const was = nodes.length;
    stop();
    at = Math.max(0, Math.min(to, Number(place.max)));
    if (was) start(); else show();
  };
  const anew = () => {
    const names = model.get("names");
    turn += 1;
    stop();
    [buffers, at, heard] = [[], 0, names.length - 1];
    sheet.hidden = !names.length;
    sheet.setAttribute("aria-label", `Player: space plays and pauses${names.length > 1 ? ", A is before, B is after" : ""}`);
    place.max = model.get("seconds");
    choice.replaceChildren();
    names.forEach((name, k) => {
      const key = names.length > 1 ? ` (${"AB"[k]})` : "";
      made("button", choice, { textContent: name + key, title: `Hear ${name}${key}` }).addEventListener("click", () => hear(k));
    });
    meters.replaceChildren();
    const head = made("tr", made("thead", meters));
    ["here", ...names].forEach((words) => made("th", head, { textContent: words, scope: "col" }));
    const body = made("tbody", meters);
    model.get("meters").forEach(({ words }) => {
      const line = made("tr", body);
      made("th", line, { textContent: words, scope: "row" });
      names.forEach(() => made("td", line, { className: "tubekit-number" }));
    });
    show();
  };
  play.addEventListener("click", turned);
  place.addEventListener("input", () => go(Number(place.value)));
  sheet.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const act = { a: () => hear(0), b: () => hear(1), ArrowLeft: () => go(now() - STEP_S), ArrowRight: () => go(now() + STEP_S),
      " ": event.target.tagName === "BUTTON" && event.target !== play ? null : turned }[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (!act) return;
    act();
    event.preventDefault();
    event.stopPropagation();
  });
  model.on("change:turn", anew);
  anew();
  return () => { stop(); cancelAnimationFrame(frame); context?.close(); };
}

export default { render };
