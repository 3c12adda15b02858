// Keeps the page fresh, and says so when it can't.
"use strict";
const EVERY = 3000, PLOTS_EVERY = 60000, PATIENCE = 12000;
const now = document.getElementById("now"), plots = document.getElementById("plots");
const stale = document.getElementById("stale");
let heard = Date.now(), html = "";

async function text(address) {
  const answer = await fetch(address, { signal: AbortSignal.timeout(10000), cache: "no-store" });
  if (answer.redirected) { location.assign("/login"); throw new Error("logged out"); }
  if (!answer.ok) throw new Error(String(answer.status));
  return answer.text();
}

function mark() {
  const age = Date.now() - heard;
  stale.hidden = age < PATIENCE;
  if (!stale.hidden) {
    const since = new Date(heard).toLocaleTimeString();
    stale.textContent = `✕ STALE since ${since}: the server doesn't answer. What stands below is old.`;
  }
}

async function renew() {
  try {
    const fresh = await text(now.dataset.from);
    heard = Date.now();
    // what somebody is typing into, or has opened, is not taken away
    const busy = now.contains(document.activeElement) && document.activeElement.tagName !== "A";
    if (fresh !== html && !busy) {
      const open = new Map([...now.querySelectorAll("details")].map((one) => [one.id, one.open]));
      now.innerHTML = fresh;
      now.querySelectorAll("details").forEach((one) => { if (open.has(one.id)) one.open = open.get(one.id); });
      html = fresh;
    }
  } catch { /* the mark tells */ }
  mark();
  setTimeout(renew, EVERY);
}

async function draw() {
  let pause = PLOTS_EVERY;
  try { plots.innerHTML = await text(plots.dataset.from); } catch { pause = EVERY; }
  if (plots.querySelector("svg") === null) pause = EVERY;
  setTimeout(draw, pause);
}

setTimeout(renew, EVERY);
setInterval(mark, 1000);
if (plots) draw();
