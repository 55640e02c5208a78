// Values typed one after the other at the bench, for every list of readings on the page: Enter goes to the next row,
// a tap selects what is there so that typing replaces it, and a tablet shows its number keys.
const VALUES = ".tubekit-line .widget-text input";

function render({ el }) {
  el.style.display = "none";
  if (window.tubekitEntries) return;
  window.tubekitEntries = true;
  document.addEventListener("focusin", ({ target }) => {
    if (!target.matches(VALUES)) return;
    target.inputMode = "decimal";
    target.enterKeyHint = "next";
    target.scrollIntoView({ block: "center" });
    setTimeout(() => target.select());
  });
  document.addEventListener("keyup", (event) => {
    if (event.key !== "Enter" || !event.target.matches(VALUES)) return;
    const all = [...event.target.closest(".tubekit-bench").querySelectorAll(VALUES)];
    all[all.indexOf(event.target) + 1]?.focus();
  });
}

export default { render };
