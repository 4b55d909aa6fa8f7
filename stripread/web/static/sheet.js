// What the page does better with a script: timers, an upload that survives a lost network, looking for an answer.

import { guide, offerRetake } from "./guide.js";
import { keepUploads, sendLeftOver } from "./photos.js";

export const one = (selector, within = document) => within.querySelector(selector);

// Say something where screen readers listen, once; tells whether it is new.
export function tell(place, words) {
  if (place.textContent === words) return false;
  place.textContent = words;
  return true;
}

// Where a photo is being taken meanwhile, loading the page again would lose it: a button says that there is an answer.
function offerLook(place) {
  const button = document.createElement("button");
  button.textContent = place.dataset.ready;
  button.addEventListener("click", () => { location.hash = "curve"; location.reload(); });
  place.replaceChildren(button);
}

function awaitAnswer(place) {
  const ahead = one(".ahead");
  const look = async () => {
    try {
      const answer = await fetch(place.dataset.await);
      if (answer.redirected || answer.status === 401) { location.reload(); return; }  // the session is over: sign in again
      const state = await answer.json();
      if (state.done && place.dataset.ready) { offerLook(place); return; }
      if (state.done || (state.put_off && !("putOff" in place.dataset))) { location.reload(); return; }
      if (ahead) tell(ahead, state.ahead ? ahead.dataset.words.replace("#", state.ahead) : "");
    } catch { /* no connection: look again */ }
    setTimeout(look, 1000 * place.dataset.often);
  };
  setTimeout(look, 500);
}

// Only over HTTPS or on this machine, and where the browser has one.
if (navigator.serviceWorker) {
  navigator.serviceWorker.register("/worker.js").catch(() => {});
  const out = one('form[action="/sign-out"]');
  if (out) out.addEventListener("submit", () => navigator.serviceWorker.controller?.postMessage("forget"));
}
document.documentElement.classList.add("scripted");
const back = one(".back");
if (back && history.length > 1) {
  back.hidden = false;
  back.addEventListener("click", () => history.back());
}
// A caution that was read once on this phone is folded from then on; its heading stays.
document.querySelectorAll("details[data-seen]").forEach((caution) => {
  const name = `stripread-seen-${caution.dataset.seen}`;
  try { caution.open = !localStorage.getItem(name); localStorage.setItem(name, "yes"); } catch { /* no store: shown in full */ }
});
const letters = one(".letters");
if (letters) {
  letters.hidden = false;
  letters.addEventListener("click", () => {
    const secret = one("#secret");
    secret.inputMode = "text";
    secret.focus();
  });
}
const upload = one("[data-upload]"), awaited = one("[data-await]"), leftOver = one(".kept"), retake = one(".retake");
// Gone back to: a reading begins afresh, while a form keeps what was typed into it.
if (upload || awaited) addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
if (upload) { keepUploads(upload); guide(upload); }
if (awaited) awaitAnswer(awaited);
if (leftOver) sendLeftOver(leftOver);
if (retake) offerRetake(retake);
