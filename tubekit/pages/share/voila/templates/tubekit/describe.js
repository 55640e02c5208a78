// A picture says what it shows: Python writes it into the file, the page makes it the alternative text.
(() => {
  const KINDS = { tEXt: "latin1", iTXt: "utf-8" };
  const described = ({ src }) => {
    const head = atob(src.slice(src.indexOf(",") + 1).slice(0, 16384));
    const file = Uint8Array.from(head, (each) => each.charCodeAt(0)), places = new DataView(file.buffer);
    for (let at = 8; at + 8 < file.length; at += 12 + places.getUint32(at)) {
      const coded = KINDS[head.slice(at + 4, at + 8)];
      if (!coded) continue;
      const words = new TextDecoder(coded).decode(file.subarray(at + 8, at + 8 + places.getUint32(at))).split("\0");
      if (words[0] === "Description") return words.at(-1);
    }
    return "";
  };
  new MutationObserver(() => {
    for (const image of document.querySelectorAll(".jp-RenderedImage img[src^='data:image/png']:not([alt])"))
      image.alt = described(image);
  }).observe(document, { childList: true, subtree: true });
})();
