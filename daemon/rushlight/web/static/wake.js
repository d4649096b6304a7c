document.addEventListener("toggle", ({ target }) => {
  const asleep = target.open && target.querySelector(":scope > noscript");
  if (asleep) asleep.outerHTML = asleep.textContent;
}, true);
// Nor are a timeline's curves drawn before one is seen or somebody does something: their room and their words are there.
if (window.IntersectionObserver) {
  const root = document.documentElement, wake = () => root.classList.remove("asleep");
  root.classList.add("asleep");
  for (const what of ["scroll", "pointermove", "pointerdown", "keydown", "focusin"]) addEventListener(what, wake, { once: true, passive: true });
  addEventListener("DOMContentLoaded", () => {
    const seen = new IntersectionObserver((found) => { if (found.some((one) => one.isIntersecting)) { wake(); seen.disconnect(); } });
    for (const lane of document.querySelectorAll(".lane")) seen.observe(lane);
  });
}
