// Photos of readings: kept in the browser's database until the server has confirmed them, and sent again by themselves.

import { one, tell } from "./sheet.js";

const STALLED = 30000;  // ms without a byte sent or an answer; a slow network that still moves is not cut off
const BUSY = [408, 429, 500, 502, 503, 504];  // the photo is good: try again
const SIGNED_OUT = [401, 403];  // it stays here and is sent after signing in
const REPLACED = "replaced";  // by another photo, while it was on its way
const NO_PHOTO = [413, 415];  // no server would ever take it

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
    act.onabort = act.onerror = () => { base.close(); failed(act.error); };
  });
}

const keep = (kept) => inStore("readwrite", (s) => s.put(kept)).then(() => true, () => false);
const drop = (key) => inStore("readwrite", (s) => s.delete(key)).catch(() => {});
const allOf = async (who) => ((await inStore("readonly", (s) => s.getAll()).catch(() => [])) || [])
  .filter((kept) => kept.who === who);

const stops = new WeakMap();  // of what is on its way: how to end that

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
    const stop = () => request.abort();
    stops.set(kept, stop);
    const watch = setInterval(() => { if (performance.now() - heard > STALLED) stop(); }, 1000);
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

// Send until the server has it, however often the network fails. Returns the page of the answer, or throws the status of a
// server that will not have it. A screen reader hears of a change only, not of each try.
async function sendUntilThere(kept, csrf, box, isKept) {
  const bar = one("progress", box), say = one("p", box);
  box.hidden = false;
  tell(say, say.dataset.sending);
  for (let wait = 2; ; wait = Math.min(2 * wait, 60)) {
    try {
      const answer = await send(kept, csrf, (share) => { bar.value = share; });
      await drop(kept.key);
      return answer.page;
    } catch (status) {
      if (kept.replaced) throw REPLACED;
      if (status && !BUSY.includes(status)) throw status;
      tell(say, !isKept ? say.dataset.unkept : status ? say.dataset.busy : say.dataset.again);
      await new Promise((on) => { setTimeout(on, 1000 * wait); addEventListener("online", on, { once: true }); });
    }
  }
}

// Fill the form with what was kept and send it as a browser does: the server's page says what is wrong.
function sendPlainly(kept, form) {
  fill(kept, form);
  for (const [name, value] of kept.fields) if (form.elements[name]) form.elements[name].value = value;
  form.submit();
}

function fill(kept, form) {
  for (const name of ["photo", "flash"]) {
    if (!kept[name] || !form.elements[name]) continue;
    const files = new DataTransfer();
    files.items.add(new File([kept[name]], name, { type: kept[name].type }));
    form.elements[name].files = files.files;
  }
}

export function keepUploads(form) {
  const key = form.elements.key, who = form.dataset.who;
  let before = null;  // a kept photo that was sent to another point and refused there
  let underWay = null;
  form.elements.photo.addEventListener("change", () => {  // before the guide hears of it, which may send at once
    if (!underWay) return;
    underWay.replaced = true;
    stops.get(underWay)?.();
    drop(underWay.key);
    underWay = null;
    one(".sending", form).hidden = true;
    one(".send", form).disabled = false;
  });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    one(".send", form).disabled = true;
    key.value = newKey();
    const csrf = form.elements.csrf.value, photo = form.elements.photo.files[0];
    const flash = form.elements.flash?.files[0] || null;
    const fields = [...new FormData(form)].filter(([name]) => !["photo", "flash", "csrf"].includes(name));
    const kept = underWay = { key: key.value, who, action: form.getAttribute("action"), fields, photo, flash };
    const isKept = await keep(kept);
    if (before) await drop(before.key);
    try {
      location.assign(await sendUntilThere(kept, csrf, one(".sending", form), isKept));
    } catch (status) {
      if (status === REPLACED) return;
      if (SIGNED_OUT.includes(status)) {
        location.assign(`/sign-in?kept&next=${encodeURIComponent(location.pathname)}`);
        return;
      }
      if (NO_PHOTO.includes(status)) await drop(kept.key);
      else await keep({ ...kept, refused: status });
      sendPlainly(kept, form);
    }
  });
  allOf(who).then((all) => {
    before = all.find((kept) => kept.refused) || null;
    if (!before) return;
    const button = one(".reuse", form);
    button.hidden = false;
    button.addEventListener("click", () => {
      fill(before, form);
      form.elements.photo.dispatchEvent(new Event("change"));
      const waited = before.fields.find(([name]) => name === "waited_s");
      form.elements.waited_s.value = waited ? waited[1] : "";
    });
  });
}

// Photos left over from a closed page or a lost session are sent from whatever page is open, those of this person only.
export async function sendLeftOver(box) {
  const words = box.dataset, say = one("p", box);
  for (const kept of await allOf(words.who)) {
    one(".where", box).textContent = decodeURIComponent(kept.action.split("/")[2]);
    if (kept.refused) { offerChoice(kept, box); continue; }
    try {
      const page = await sendUntilThere(kept, words.csrf, box, true), link = document.createElement("a");
      tell(say, "");
      [link.href, link.className, link.textContent] = [page, "button", words.ready];
      box.append(link);
    } catch (status) {
      if (SIGNED_OUT.includes(status)) return;
      await keep({ ...kept, refused: status });
      offerChoice(kept, box);
    }
  }
}

// The server refused it where it was sent to. It may be right elsewhere; nothing is thrown away but by hand.
function offerChoice(kept, box) {
  const elsewhere = document.createElement("a"), discard = document.createElement("button");
  box.hidden = false;
  one("progress", box).hidden = true;
  tell(one("p", box), box.dataset.refused);
  [elsewhere.href, elsewhere.className, elsewhere.textContent] = ["/read", "button", box.dataset.elsewhere];
  [discard.type, discard.textContent] = ["button", box.dataset.discard];
  discard.addEventListener("click", async () => { await drop(kept.key); box.hidden = true; });
  box.append(elsewhere, " ", discard);
}
