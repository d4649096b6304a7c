// Keeps an entry on the phone when there is no network, and sends it when there is.  The page works without this.
"use strict";
(() => {
  const KEY = "rushlight-kept";
  const box = document.getElementById("kept");
  const token = (document.querySelector("meta[name=form-token]") || {}).content || "";
  const load = () => { try { return JSON.parse(localStorage.getItem(KEY)) || []; } catch { return []; } };
  const save = (list) => localStorage.setItem(KEY, JSON.stringify(list));
  const say = (words) => { if (box) { box.textContent = words; box.hidden = !words; } };
  const post = (action, fields) => fetch(action, {
    method: "POST", body: new URLSearchParams(fields), credentials: "same-origin", signal: AbortSignal.timeout(20000),
  });
  let sending = false;
  async function resend() {
    if (sending || !box) return;
    sending = true;
    let waiting = load(), sent = 0, refused = 0;
    for (const entry of waiting.filter((e) => !e.refused)) {
      try {
        const answer = await post(entry.action, { ...entry.fields, token, kept_ms: entry.ms, sent_ms: Date.now() });
        const again = [401, 403, 429].includes(answer.status) || answer.status >= 500;
        if (again) continue;
        const list = load();
        const at = list.findIndex((e) => e.fields.id === entry.fields.id);
        if (at < 0) continue;
        if (answer.ok) { list.splice(at, 1); sent++; } else { list[at].refused = true; }
        save(list);
      } catch { break; }
    }
    waiting = load();
    refused = waiting.filter((e) => e.refused).length;
    const words = [];
    if (sent) words.push(`${sent} kept on this device: now entered. Open the tanks again to see the estimate.`);
    if (waiting.length - refused) words.push(`${waiting.length - refused} waiting on this device for the network or a login.`);
    if (refused) words.push(`${refused} refused by the page; please enter again.`);
    say(words.join(" "));
    if (refused) save(waiting.filter((e) => !e.refused));
    sending = false;
  }
  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.classList.contains("keep")) return;
    event.preventDefault();
    if (form.dataset.busy) return;
    form.dataset.busy = "1";
    const fields = { ...Object.fromEntries(new FormData(form)), sent_ms: Date.now() };
    try {
      const answer = await post(form.action, fields);
      if (answer.ok && answer.redirected) { location.assign(answer.url); return; }
      delete form.dataset.busy;
      form.classList.remove("keep");
      form.requestSubmit();
    } catch {
      const list = load().filter((e) => e.fields.id !== fields.id);
      list.push({ action: form.action, fields, ms: Date.now() });
      save(list);
      say("No network. The entry is kept on this device and will be sent by itself, with the time of now.");
      window.scrollTo(0, 0);
    }
  });
  for (const moment of ["online", "pageshow", "focus"]) window.addEventListener(moment, resend);
  setInterval(resend, 15000);
})();
