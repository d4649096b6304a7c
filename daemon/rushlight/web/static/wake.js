document.addEventListener("toggle", ({ target }) => {
  const asleep = target.open && target.querySelector(":scope > noscript");
  if (asleep) asleep.outerHTML = asleep.textContent;
}, true);
// Nor does a phone lay out what lies below its first view before that is seen, somebody does something, or the page has
// stood for a while: its room is kept.  A page that is come back to, or that is opened at a part, is there as a whole.
if (matchMedia("(max-width:40rem)").matches && window.IntersectionObserver && !location.hash
    && performance.getEntriesByType("navigation")[0].type === "navigate") {
  const root = document.documentElement;
  root.classList.add("asleep");
  const wake = () => {
    if (!root.classList.contains("asleep")) return;
    root.classList.remove("asleep");
    dispatchEvent(new Event("awake"));
  };
  // Not a pointer's move: the browser sends one by itself where a mouse lies still over a page that has just come.
  for (const what of ["scroll", "pointerdown", "keydown", "focusin", "blur", "beforeprint"])
    addEventListener(what, wake, { once: true, passive: true, capture: true });
  addEventListener("load", () => setTimeout(wake, 2500));
  addEventListener("DOMContentLoaded", () => {
    const seen = new IntersectionObserver((found) => {
      for (const { target } of found.filter((one) => one.isIntersecting)) {
        seen.unobserve(target);
        target.classList.remove("below"); // it alone: the rest goes on waiting
        dispatchEvent(new Event("awake"));
      }
    }, { rootMargin: `0px 0px -${root.classList.contains("saves") ? 64 : 0}px` }); // what the bar with Save covers is not seen
    for (const part of document.querySelectorAll(".below")) seen.observe(part);
  });
}
