// The guided reading, a step a screen: strip, flush, dip, wait, photo. A count fills the screen, to be read from two
// metres, and the next step comes by itself. Without a script the steps stand below each other.

import { one, tell } from "./sheet.js";

const CLOCK = "stripread-dip";  // of the last dip, for a photo that is taken again while its window is open

// Tones beside the word: eyes are on the strip. Some phones have no vibration, some are muted.
function signal(audio, times = 1) {
  if (navigator.vibrate) navigator.vibrate(Array(2 * times - 1).fill(0).map((_, i) => (i % 2 ? 120 : 250)));
  if (!audio) return;
  for (let i = 0; i < times; i++) {
    const tone = audio.createOscillator(), at = audio.currentTime + 0.37 * i;
    tone.frequency.value = 880;
    tone.connect(audio.destination);
    tone.start(at);
    tone.stop(at + 0.25);
  }
}

// The screen stays on while a count runs; a browser lets go of that whenever the page is out of sight.
function stayAwake() {
  const ask = () => { if (!document.hidden) navigator.wakeLock.request("screen").catch(() => {}); };
  if (!navigator.wakeLock || stayAwake.asked) return;
  stayAwake.asked = true;
  ask();
  document.addEventListener("visibilitychange", ask);
}

export function guide(form) {
  const steps = [...form.querySelectorAll(".step")], count = one(".count", form), go = one(".go", count);
  const flush = one('[data-timer="flush"]', form), dip = one('[data-timer="dip"]', form), photo = form.elements.photo;
  let flushing = null, dipped = null, audio = null, ticking = null, state = "";
  const seconds = (since) => (Date.now() - since) / 1000;

  const turnTo = (name) => {
    steps.forEach((step) => step.classList.toggle("current", step.dataset.step === name));
    const step = steps.find((each) => each.dataset.step === name);
    scrollTo(0, 0);
    const first = one("h2", step);
    first.tabIndex = -1;
    first.focus({ preventScroll: true });
  };
  const shut = () => {
    count.hidden = true;
    steps.forEach((step) => { step.inert = false; });
    clearInterval(ticking);
    [ticking, state] = [null, ""];
  };
  const open = (tick) => {
    if (!audio && window.AudioContext) audio = new AudioContext();  // allowed only while a finger is on a button
    stayAwake();
    count.hidden = false;
    steps.forEach((step) => { step.inert = true; });
    one(".shut", count).focus();
    clearInterval(ticking);
    ticking = setInterval(tick, 100);
    tick();
  };
  // Show one state of a count: its word, its number and, where there is something to press, its button.
  const show = (name, words, left, press = "") => {
    one("output", count).textContent = left === null ? "" : Math.ceil(left);
    if (state === name) return;
    state = name;
    count.dataset.state = name;
    tell(one(".say", count), words);
    go.hidden = !press;
    go.textContent = press;
    if (press) go.focus();
    signal(audio, name === "now" ? 3 : 1);
  };

  function flushTick() {
    const left = flush.dataset.seconds - seconds(flushing);
    if (left > 0) { show("flush", flush.dataset.words, left); return; }
    signal(audio, 2);
    shut();
    turnTo("dip");
  }
  function dipTick() {
    const t = seconds(dipped), d = dip.dataset;
    if (t < d.seconds) show("dip", d.dip, d.seconds - t);
    else if (t < d.from) show("wait", d.wait, d.from - t);
    else if (t <= d.until) show("now", d.now, d.until - t, d.take);
    else show("late", d.late, null, d.again);
  }
  const dipNow = () => {
    dipped = Date.now();
    form.elements.waited_s.value = "";
    if (flushing !== null) form.elements.flushed_s.value = seconds(flushing).toFixed(0);
    const lot = one("input[name=lot]:checked", form);
    sessionStorage.setItem(CLOCK, JSON.stringify({ at: dipped, where: location.pathname, lot: lot && lot.value, flushed: form.elements.flushed_s.value }));
    turnTo("photo");
    open(dipTick);
  };

  if (flush) {
    one(".start", flush).addEventListener("click", () => { [flushing, dipped] = [Date.now(), null]; open(flushTick); });
  }
  one(".start", dip).addEventListener("click", dipNow);
  go.addEventListener("click", () => { if (state === "late") { shut(); turnTo("dip"); } else photo.click(); });
  one(".shut", count).addEventListener("click", shut);
  form.querySelectorAll(".next").forEach((button) => button.addEventListener("click", () => {
    const lot = one("input[name=lot]", form);
    if (button.closest(".step").dataset.step === "strip" && !lot.reportValidity()) return;
    const at = steps.indexOf(button.closest(".step"));
    turnTo(steps[at + 1].dataset.step);
  }));
  form.querySelectorAll(".before").forEach((button) => button.addEventListener("click", () => {
    turnTo(steps[steps.indexOf(button.closest(".step")) - 1].dataset.step);
  }));

  photo.addEventListener("change", () => {
    if (!photo.files.length) return;
    const timed = dipped !== null;
    if (timed) form.elements.waited_s.value = seconds(dipped).toFixed(0);
    dipped = null;  // the strip is on the photo: its time is over
    shut();
    preview(form, photo.files[0]);
    turnTo("photo");
    one(".untimed", form).hidden = timed;
    form.dataset.chosen = timed ? "timed" : "untimed";
    // Nothing is left to be said: it is sent at once. It can be replaced until the answer is there.
    if (timed && !one(".pair", form) && form.checkValidity()) form.requestSubmit();
    else one(".send", form).scrollIntoView({ block: "center" });
  });

  showKind(form, dip);
  // A photo that was refused is taken again with the clock of its dip, while its window is open.
  const kept = JSON.parse(sessionStorage.getItem(CLOCK) || "null"), again = new URLSearchParams(location.search).has("retake");
  if (again && kept && kept.where === location.pathname && seconds(kept.at) < dip.dataset.until) {
    const lot = form.querySelector(`input[name=lot][value="${CSS.escape(kept.lot || "")}"]`);
    if (lot) { lot.checked = true; lot.dispatchEvent(new Event("change")); }
    form.elements.flushed_s.value = kept.flushed;
    dipped = kept.at;
    turnTo("photo");
    open(dipTick);
  } else {
    turnTo(steps[0].dataset.step);
  }
}

// Show the photo that is about to be sent, as the phone took it.
function preview(form, file) {
  const picture = one(".preview", form);
  if (picture.src) URL.revokeObjectURL(picture.src);
  picture.src = URL.createObjectURL(file);
  picture.hidden = false;
  const words = one(".chosen", form);
  tell(words, words.dataset.chosen);
  one("label[for=photo]", form).textContent = form.dataset.replace;
  one("label[for=photo]", form).classList.remove("main");
}

// Where lots of several kinds suit a sample, each is dipped in its own way: show that of the chosen one.
function showKind(form, dip) {
  const choose = () => {
    const lot = one("input[name=lot]:checked", form);
    if (!lot) return;
    for (const words of form.querySelectorAll("[data-kind]")) words.hidden = words.dataset.kind !== lot.dataset.of;
    for (const name of ["seconds", "from", "until"]) dip.dataset[name] = lot.dataset[name];
  };
  form.querySelectorAll("input[name=lot]").forEach((lot) => lot.addEventListener("change", choose));
  choose();
}

// On the page of a photo that gave no reading: how long the strip may still be photographed.
export function offerRetake(link) {
  const kept = JSON.parse(sessionStorage.getItem(CLOCK) || "null");
  if (!kept || kept.where !== link.dataset.of) return;
  const left = () => Math.floor(link.dataset.until - (Date.now() - kept.at) / 1000);
  const show = () => {
    link.hidden = left() <= 3;
    one(".left", link).textContent = left();
    if (!link.hidden) setTimeout(show, 500);
  };
  show();
}
