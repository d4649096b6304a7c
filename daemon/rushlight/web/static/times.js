// Writes moments in the browser's own manner, 12 or 24 hours, day or month first, in the site's time zone.  The page
// works without this: they stand there in 24 hours.  The first one costs a slow phone a tenth of a second, so it waits
// until the page has been touched or has stood for a while, and each is written when it is about to be seen.
"use strict";
(() => {
  const PARTS = {
    w: { weekday: "short" }, d: { day: "numeric", month: "short" }, y: { year: "numeric" },
    t: { hour: "numeric", minute: "2-digit" }, c: { hour: "numeric", minute: "2-digit", timeZone: "UTC" }, m: { month: "short", year: "numeric" },
  };
  const made = {};
  function written(moment, as) {
    made[as] = made[as] || new Intl.DateTimeFormat(undefined, Object.assign(
      { timeZone: document.documentElement.dataset.zone }, ...[...as].map((part) => PARTS[part])));
    return made[as].format(moment);
  }
  const near = new IntersectionObserver((found) => {
    for (const { target, isIntersecting } of found) {
      if (!isIntersecting) continue;
      near.unobserve(target);
      try {
        target.textContent = written(new Date(target.dateTime || target.dataset.at), target.dataset.as);
      } catch { /* it stands as it came */ }
    }
  }, { rootMargin: "300px" });
  function watch() {
    for (const moment of document.querySelectorAll("[data-as]:not([data-watched])")) {
      moment.dataset.watched = "";
      near.observe(moment);
    }
  }
  let begun = false;
  function begin() {
    if (begun) return;
    begun = true;
    watch();
    new MutationObserver(watch).observe(document.documentElement, { childList: true, subtree: true });
  }
  for (const touch of ["pointerdown", "keydown", "scroll"]) addEventListener(touch, begin, { once: true, passive: true });
  addEventListener("load", () => setTimeout(begin, 2500));
})();
