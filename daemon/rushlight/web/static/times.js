// Writes moments in the browser's own manner, 12 or 24 hours, day or month first, in the site's time zone.  The page
// works without this: they stand there in 24 hours.
"use strict";
(() => {
  const PARTS = {
    w: { weekday: "short" }, d: { day: "numeric", month: "short" }, y: { year: "numeric" },
    t: { hour: "numeric", minute: "2-digit" }, m: { month: "short", year: "numeric" },
  };
  const made = {};
  function written(moment, as) {
    made[as] = made[as] || new Intl.DateTimeFormat(undefined, Object.assign(
      { timeZone: document.documentElement.dataset.zone }, ...[...as].map((part) => PARTS[part])));
    return made[as].format(moment);
  }
  function render() {
    for (const time of document.querySelectorAll("[data-as]")) {
      try { time.textContent = written(new Date(time.dateTime || time.dataset.at), time.dataset.as); } catch { /* it stands as it came */ }
      time.removeAttribute("data-as");
    }
  }
  render();
  new MutationObserver(render).observe(document.documentElement, { childList: true, subtree: true });
})();
