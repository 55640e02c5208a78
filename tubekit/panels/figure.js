// The hand on a figure, the same for every figure: what it does goes to Python as `hand`, in shares of the picture
// from its left and upper edge. While Python draws, the latest `hand` waits: so what adds up (steps, zoom) is a total.
const FINGER_PX = 6, WHEEL = 0.0015, KEY_ZOOM = 0.35, KEY_PAN = 0.1, SHARPEST = 2.5;
const KEYS = "Tab reaches each point that can be moved, arrow keys move it, plus and minus zoom, 0 shows the whole figure.";

// A fold opens by the keyboard too: Tab reaches its title, Enter or the space bar opens and shuts it.
const FOLD = ".jupyter-widget-Collapse-header";
function folds() {
  if (window.tubekitFolds) return;
  const reach = () => {
    for (const title of document.querySelectorAll(`${FOLD}:not([tabindex])`)) {
      title.tabIndex = 0;
      title.setAttribute("role", "button");
      title.dataset.lmSuppressShortcuts = "true";
    }
  };
  window.tubekitFolds = new MutationObserver(reach);
  window.tubekitFolds.observe(document.body, { childList: true, subtree: true });
  reach();
  document.addEventListener("keydown", (event) => {
    if (!["Enter", " "].includes(event.key) || !event.target.matches(FOLD)) return;
    event.target.click();
    event.preventDefault();
  });
}

function render({ model, el }) {
  folds();
  const made = (tag, css, parent, more) => {
    const one = Object.assign(document.createElement(tag), { className: css, ...more });
    parent.append(one);
    return one;
  };
  const sheet = made("div", "tubekit-sheet", el, { tabIndex: 0 });
  sheet.setAttribute("role", "group");
  const image = made("img", "", sheet, { draggable: false });
  const points = made("div", "", sheet), said = made("div", "tubekit-said", sheet);
  said.setAttribute("role", "status");
  const whole = made("button", "tubekit-whole", sheet, { textContent: "Whole figure", title: "Back to the whole figure (0)" });
  const handles = new Map(), touches = new Map(), steps = {};
  const total = { zoom: 0, across: 0, up: 0 };
  let gesture = Date.now(), sent = 0, spread = 0, moved = false, begun = null, over = false;

  const tell = (act, more) => {
    model.set("hand", { act, gesture: `hand ${gesture}`, turn: ++sent, ...more });
    model.save_changes();
  };
  const share = (event) => {
    const box = image.getBoundingClientRect();
    return [(event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height];
  };
  const look = (at, more = {}) => {
    for (const [key, by] of Object.entries(more)) total[key] += by;
    tell("look", { at, ...total });
  };
  const all = () => tell("whole", {});
  whole.addEventListener("click", all);

  // ---- what Python shows

  const draw = () => {
    const bytes = model.get("value");
    if (!bytes || !bytes.byteLength) return;
    const old = image.src;
    image.src = URL.createObjectURL(new Blob([bytes], { type: "image/png" }));
    if (old) URL.revokeObjectURL(old);
  };
  const name = () => {
    image.alt = model.get("alt");
    sheet.setAttribute("aria-label", `${model.get("alt")}. ${KEYS}`);
  };
  const place = () => {
    const wanted = model.get("handles");
    for (const [key, one] of handles) if (!wanted.some((each) => each.name === key)) { one.remove(); handles.delete(key); }
    for (const each of wanted) {
      const one = handles.get(each.name) ?? grip(each.name);
      one.style.left = `${100 * each.at[0]}%`;
      one.style.top = `${100 * each.at[1]}%`;
      one.title = `${each.name}: ${each.words}`;
      one.setAttribute("aria-label", each.name);
      one.setAttribute("aria-valuetext", each.words);
      one.setAttribute("aria-valuenow", each.now);
      one.dataset.words = each.words;
    }
  };
  const say = () => {
    const { words, at } = model.get("said");
    said.textContent = words ?? "";
    said.hidden = !words;
    if (!words) return;
    said.style.left = `${100 * Math.min(Math.max(at[0], 0.16), 0.84)}%`;
    said.style.top = `${100 * (at[1] < 0.12 ? at[1] + 0.08 : at[1])}%`;
  };
  const zoomed = () => sheet.classList.toggle("tubekit-zoomed", model.get("zoomed"));
  const sharpen = () => {
    const wide = image.getBoundingClientRect().width;
    const sharp = Math.min(SHARPEST, Math.max(1, Math.round((4 * wide * devicePixelRatio) / model.get("wide")) / 4));
    if (wide && sharp !== model.get("sharp")) { model.set("sharp", sharp); model.save_changes(); }
  };
  const shows = { value: draw, alt: name, handles: place, said: say, zoomed };
  for (const [key, act] of Object.entries(shows)) { model.on(`change:${key}`, act); act(); }
  const watch = new ResizeObserver(sharpen);
  watch.observe(image);

  // ---- a handle: drag it, or the arrow keys

  function grip(key) {
    const one = made("div", "tubekit-handle", points, { tabIndex: 0 });
    one.setAttribute("role", "slider");
    let off = null;
    one.addEventListener("pointerdown", (event) => {
      const at = share(event), box = one.getBoundingClientRect(), picture = image.getBoundingClientRect();
      gesture += 1;
      off = [at[0] - (box.left + box.width / 2 - picture.left) / picture.width,
        at[1] - (box.top + box.height / 2 - picture.top) / picture.height];
      one.setPointerCapture(event.pointerId);
      one.focus({ preventScroll: true });
      one.classList.add("tubekit-held");
      event.preventDefault();
      event.stopPropagation();
    });
    one.addEventListener("pointermove", (event) => {
      if (!off) return;
      const at = share(event);
      tell("drag", { name: key, at: [at[0] - off[0], at[1] - off[1]] });
      event.stopPropagation();
    });
    for (const end of ["pointerup", "pointercancel"])
      one.addEventListener(end, () => { off = null; one.classList.remove("tubekit-held"); });
    one.addEventListener("keydown", (event) => {
      const way = { ArrowRight: ["across", 1], ArrowLeft: ["across", -1], ArrowUp: ["up", 1], ArrowDown: ["up", -1],
        PageUp: ["up", 10], PageDown: ["up", -10] }[event.key];
      if (!way) return;
      const had = (steps[key] ??= { across: 0, up: 0 });
      had[way[0]] += way[1];
      tell("step", { name: key, gesture: `keys ${key}`, ...had });
      event.preventDefault();
      event.stopPropagation();
    });
    handles.set(key, one);
    return one;
  }

  // ---- the picture: a touch names, two fingers or the wheel zoom, one finger moves what is enlarged

  const apart = () => {
    const [a, b] = [...touches.values()];
    return [Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY),
      share({ clientX: (a.clientX + b.clientX) / 2, clientY: (a.clientY + b.clientY) / 2 })];
  };
  image.addEventListener("pointerdown", (event) => {
    touches.set(event.pointerId, event);
    moved = touches.size > 1;
    begun = event;
    if (touches.size === 2) spread = apart()[0];
    image.setPointerCapture(event.pointerId);
    sheet.focus({ preventScroll: true });
  });
  image.addEventListener("pointermove", (event) => {
    over ||= event.movementX !== 0 || event.movementY !== 0;
    const last = touches.get(event.pointerId);
    if (!last) return;
    touches.set(event.pointerId, event);
    if (touches.size === 2) {
      const [now, at] = apart();
      look(at, { zoom: Math.log(now / spread) });
      spread = now;
    } else if (moved || Math.hypot(event.clientX - begun.clientX, event.clientY - begun.clientY) > FINGER_PX) {
      moved = true;
      const [from, to] = [share(last), share(event)];
      if (model.get("zoomed")) look(share(begun), { across: to[0] - from[0], up: to[1] - from[1] });
    }
  });
  for (const end of ["pointerup", "pointercancel"])
    image.addEventListener(end, (event) => {
      touches.delete(event.pointerId);
      if (end === "pointerup" && !moved && !touches.size) tell("touch", { at: share(event) });
    });
  image.addEventListener("dblclick", () => { if (model.get("zoomed")) all(); });
  image.addEventListener("pointerleave", () => { over = false; });
  // Whoever scrolls the page past the figure goes on scrolling: the pointer has to have moved on it.
  image.addEventListener("wheel", (event) => {
    if (!over || (event.deltaY > 0 && !model.get("zoomed"))) { over = false; return; }
    look(share(event), { zoom: -event.deltaY * WHEEL });
    event.preventDefault();
  }, { passive: false });
  sheet.addEventListener("keydown", (event) => {
    const held = handles.get([...handles.keys()].find((key) => handles.get(key) === document.activeElement));
    const at = held ? [parseFloat(held.style.left) / 100, parseFloat(held.style.top) / 100] : null;
    const zoom = { "+": KEY_ZOOM, "=": KEY_ZOOM, "-": -KEY_ZOOM }[event.key];
    const pan = { ArrowRight: ["across", -1], ArrowLeft: ["across", 1], ArrowUp: ["up", 1], ArrowDown: ["up", -1] }[event.key];
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (zoom) look(at, { zoom });
    else if (event.key === "0" || (event.key === "Escape" && model.get("zoomed"))) all();
    else if (pan && model.get("zoomed")) look(null, { [pan[0]]: pan[1] * KEY_PAN });
    else return;
    event.preventDefault();
    event.stopPropagation();
  });
  return () => { watch.disconnect(); URL.revokeObjectURL(image.src); };
}

export default { render };
