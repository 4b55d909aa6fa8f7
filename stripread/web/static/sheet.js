// What the page does better with a script: timers, an upload that survives a lost network, looking for an answer.
"use strict";

document.documentElement.classList.add("scripted");
addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });  // gone back to: begin afresh

const one = (selector, within = document) => within.querySelector(selector);

// --- timers -----------------------------------------------------------------------------------------------------------

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

function countTimers(form) {
  const flush = one('[data-timer="flush"]', form), dip = one('[data-timer="dip"]', form);
  let flushing = null, dipped = null, audio = null;
  const wake = () => {  // allowed only while a finger is on a button
    if (!audio && window.AudioContext) audio = new AudioContext();
    if (navigator.wakeLock) navigator.wakeLock.request("screen").catch(() => {});
  };
  const seconds = (since) => (performance.now() - since) / 1000;
  if (flush) one("button", flush).addEventListener("click", () => { flushing = performance.now(); flushed = false; wake(); flush.scrollIntoView({ block: "center" }); tick(); });
  one("button", dip).addEventListener("click", () => {
    dipped = performance.now();
    wake();
    dip.scrollIntoView({ block: "center" });
    if (flushing !== null) form.elements.flushed_s.value = seconds(flushing).toFixed(0);
    tick();
  });
  form.elements.photo.addEventListener("change", () => {
    if (dipped !== null) form.elements.waited_s.value = seconds(dipped).toFixed(0);
    one(".chosen", form).textContent = one(".chosen", form).dataset.chosen;
  });
  let running = false, flushed = false;
  function tick() {
    if (!running) { running = true; requestAnimationFrame(show); }
  }
  function show() {
    if (flushing !== null && dipped === null) {
      const left = Math.max(0, Math.ceil(flush.dataset.seconds - seconds(flushing)));
      one("output", flush).textContent = left;
      if (!left && !flushed) { flushed = true; one(".say", flush).textContent = one(".say", flush).dataset.over; signal(audio); }
    }
    if (dipped !== null) {
      const t = seconds(dipped), say = one(".say", dip), d = dip.dataset;
      const [words, left] = t < d.seconds ? ["dip", d.seconds - t] : t < d.from ? ["wait", d.from - t]
        : t <= d.until ? ["now", d.until - t] : ["late", 0];
      if (say.textContent !== say.dataset[words]) {
        say.textContent = say.dataset[words];
        signal(audio);
        if (words === "now") one("label[for=photo]", form).scrollIntoView({ block: "center" });
      }
      one("output", dip).textContent = Math.ceil(left);
    }
    setTimeout(() => requestAnimationFrame(show), 200);
  }
}

// --- upload -----------------------------------------------------------------------------------------------------------
// The photo is kept in the browser's database until the server has confirmed it; it is sent again by itself.

function store() {
  return new Promise((done, failed) => {
    const request = indexedDB.open("stripread", 1);
    request.onupgradeneeded = () => request.result.createObjectStore("photos", { keyPath: "key" });
    request.onsuccess = () => done(request.result);
    request.onerror = () => failed(request.error);
  });
}

async function inStore(mode, use) {
  const base = await store();
  return new Promise((done, failed) => {
    const act = base.transaction("photos", mode), result = use(act.objectStore("photos"));
    act.oncomplete = () => { base.close(); done(result && result.result); };
    act.onerror = () => { base.close(); failed(act.error); };
  });
}

const STALLED = 30000;  // ms without a byte sent or an answer; a slow network that still moves is not cut off

const newKey = () => [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");

function send(kept, csrf, progress) {
  return new Promise((done, failed) => {
    const body = new FormData();
    for (const [name, value] of kept.fields) body.append(name, value);
    body.append("photo", kept.photo, "photo");
    if (kept.flash) body.append("flash", kept.flash, "flash");
    const request = new XMLHttpRequest();
    request.open("POST", kept.action);
    request.setRequestHeader("accept", "application/json");
    request.setRequestHeader("x-csrf-token", csrf);
    let heard = performance.now();
    const stop = () => request.abort(), watch = setInterval(() => { if (performance.now() - heard > STALLED) stop(); }, 1000);
    addEventListener("offline", stop);
    request.upload.onprogress = (e) => {
      heard = performance.now();
      if (e.lengthComputable) progress(100 * e.loaded / e.total);
    };
    request.onload = () => request.status === 202 ? done(JSON.parse(request.responseText)) : failed(request.status);
    request.onerror = request.onabort = () => failed(0);
    request.onloadend = () => { clearInterval(watch); removeEventListener("offline", stop); };
    request.send(body);
  });
}

const drop = (key) => inStore("readwrite", (s) => s.delete(key)).catch(() => {});

// Send until the server has it, however often the network fails. Returns the page of the answer, or throws the status of a
// server that will not have it.
async function sendUntilThere(kept, csrf, box) {
  const bar = one("progress", box), say = one("p", box);
  box.hidden = false;
  for (let wait = 2; ; wait = Math.min(2 * wait, 60)) {
    say.textContent = say.dataset.sending;
    try {
      const answer = await send(kept, csrf, (share) => { bar.value = share; });
      await drop(kept.key);
      return answer.page;
    } catch (status) {
      if (status && status !== 429 && status < 500) throw status;
      say.textContent = say.dataset.again;
      await new Promise((on) => { setTimeout(on, 1000 * wait); addEventListener("online", on, { once: true }); });
    }
  }
}

const signedOut = (status) => status === 401 || status === 403;  // the photo stays here and is sent after the door

// Fill the form with what was kept and send it as a browser does.
function sendPlainly(kept, form) {
  const files = new DataTransfer();
  files.items.add(new File([kept.photo], "photo", { type: kept.photo.type }));
  form.elements.photo.files = files.files;
  for (const [name, value] of kept.fields) if (form.elements[name]) form.elements[name].value = value;
  form.submit();
}

function keepUploads(form) {
  const key = form.elements.key;
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    one(".send", form).disabled = true;
    key.value = newKey();
    const csrf = form.elements.csrf.value, photo = form.elements.photo.files[0];
    const flash = form.elements.flash.files[0] || null;
    const fields = [...new FormData(form)].filter(([name]) => !["photo", "flash", "csrf"].includes(name));
    const kept = { key: key.value, who: form.dataset.who, action: form.getAttribute("action"), fields, photo, flash };
    await inStore("readwrite", (s) => s.put(kept)).catch(() => {});
    try {
      location.assign(await sendUntilThere(kept, csrf, one(".sending", form)));
    } catch (status) {
      if (signedOut(status)) { location.assign(`/sign-in?next=${encodeURIComponent(location.pathname)}`); return; }
      await drop(kept.key);
      sendPlainly(kept, form);  // the server said no: show why, as it does without a script
    }
  });
}

// Photos left over from a closed page or a lost session are sent from whatever page is open, those of this person only.
async function sendLeftOver(box) {
  const all = await inStore("readonly", (s) => s.getAll()).catch(() => []) || [];
  for (const kept of all.filter((one) => one.who === box.dataset.who)) {
    one(".where", box).textContent = decodeURIComponent(kept.action.split("/")[2]);
    try {
      const page = await sendUntilThere(kept, box.dataset.csrf, box), link = document.createElement("a");
      one("p", box).textContent = "";
      link.href = page;
      link.className = "button";
      link.textContent = box.dataset.ready;
      one("progress", box).replaceWith(link, one("progress", box).cloneNode());
    } catch (status) {
      if (signedOut(status)) return;
      one("p", box).textContent = `${box.dataset.refused} (${status})`;
      await drop(kept.key);
    }
  }
}

// --- answers ----------------------------------------------------------------------------------------------------------

// Where a photo is being taken meanwhile, loading the page again would lose it: a button says that there is an answer.
function offerLook(place) {
  const button = document.createElement("button");
  button.textContent = place.dataset.ready;
  button.addEventListener("click", () => { location.hash = "curve"; location.reload(); });
  place.replaceChildren(button);
}

function awaitAnswer(place) {
  const look = async () => {
    try {
      const state = await (await fetch(place.dataset.await)).json();
      if (state.done && place.dataset.ready) { offerLook(place); return; }
      if (state.done || (state.put_off && !("putOff" in place.dataset))) { location.reload(); return; }
    } catch { /* no connection: look again */ }
    setTimeout(look, 1000 * place.dataset.often);
  };
  setTimeout(look, 500);
}

const upload = one("[data-upload]"), awaited = one("[data-await]"), leftOver = one(".kept");
if (upload) { countTimers(upload); keepUploads(upload); }
if (awaited) awaitAnswer(awaited);
if (leftOver) sendLeftOver(leftOver);
