document.addEventListener("toggle", ({ target }) => {
  const asleep = target.open && target.querySelector(":scope > noscript");
  if (asleep) asleep.outerHTML = asleep.textContent;
}, true);
