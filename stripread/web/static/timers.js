// The timers of a guided reading: the flush, the dip, the wait until the strip may be photographed.

import { one, tell } from "./sheet.js";

// A short tone beside the word: eyes are on the strip. Some phones have no vibration, some are muted.
function signal(audio) {
  if (navigator.vibrate) navigator.vibrate(200);
  if (!audio) return;
  const tone = audio.createOscillator();
  tone.frequency.value = 880;
  tone.connect(audio.destination);
  tone.start();
  tone.stop(audio.currentTime + 0.25);
}

const seconds = (since) => (performance.now() - since) / 1000;

export function countTimers(form) {
  const flush = one('[data-timer="flush"]', form), dip = one('[data-timer="dip"]', form);
  let flushing = null, flushed = false, dipped = null, audio = null, running = false;
  const begin = (timer) => {
    // Sound and a screen that stays on are allowed only while a finger is on a button.
    if (!audio && window.AudioContext) audio = new AudioContext();
    if (navigator.wakeLock) navigator.wakeLock.request("screen").catch(() => {});
    timer.scrollIntoView({ block: "center" });
    if (!running) { running = true; show(); }
  };
  if (flush) {
    one("button", flush).addEventListener("click", () => {
      [flushing, flushed, dipped] = [performance.now(), false, null];
      tell(one(".say", flush), "");
      begin(flush);
    });
  }
  one("button", dip).addEventListener("click", () => {
    dipped = performance.now();
    form.elements.waited_s.value = "";
    if (flushing !== null) form.elements.flushed_s.value = seconds(flushing).toFixed(0);
    begin(dip);
  });
  form.elements.photo.addEventListener("change", () => {
    if (dipped !== null) form.elements.waited_s.value = seconds(dipped).toFixed(0);
    dipped = null;  // the strip is on the photo: its time is over
    tell(one(".say", dip), "");
    tell(one(".chosen", form), one(".chosen", form).dataset.chosen);
    one(".send", form).scrollIntoView({ block: "center" });
  });
  function show() {
    if (flushing !== null && dipped === null) {
      const left = Math.max(0, Math.ceil(flush.dataset.seconds - seconds(flushing)));
      one("output", flush).textContent = left;
      if (!left && !flushed) {
        flushed = true;
        tell(one(".say", flush), one(".say", flush).dataset.over);
        signal(audio);
      }
    }
    if (dipped !== null) {
      const t = seconds(dipped), say = one(".say", dip), d = dip.dataset;
      const [words, left] = t < d.seconds ? ["dip", d.seconds - t] : t < d.from ? ["wait", d.from - t]
        : t <= d.until ? ["now", d.until - t] : ["late", 0];
      if (tell(say, say.dataset[words])) {
        signal(audio);
        if (words === "now") one("label[for=photo]", form).scrollIntoView({ block: "center" });
      }
      one("output", dip).textContent = Math.ceil(left);
    }
    setTimeout(show, 200);
  }
  showKind(form, dip);
}

// Where lots of several kinds suit a sample, each is dipped in its own way: show that of the chosen one.
function showKind(form, dip) {
  const choose = () => {
    const lot = one("input[name=lot]:checked", form);
    if (!lot) return;
    for (const words of form.querySelectorAll("[data-kind]")) words.hidden = words.dataset.kind !== lot.dataset.of;
    for (const name of ["seconds", "from", "until"]) dip.dataset[name] = lot.dataset[name];
    one("output", dip).textContent = lot.dataset.seconds;
  };
  form.querySelectorAll("input[name=lot]").forEach((lot) => lot.addEventListener("change", choose));
  choose();
}
