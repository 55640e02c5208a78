// A box for a number brings the number pad of a tablet; its class is all that a widget can state.
for (const event of ["pointerdown", "focusin"])
  document.addEventListener(event, ({ target }) => {
    if (target.matches("input") && target.closest(".tubekit-decimal")) target.inputMode = "decimal";
  }, true);
