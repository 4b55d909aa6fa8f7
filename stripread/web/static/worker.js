// Without a network: the pages that were open last are shown as they were - today, the points, a guide with its counts.
// Photos are kept and sent by the page itself. Nothing is ever entered from here.

const KEPT = "stripread-pages-1";
const PAGES = /^\/(read(\/[^/]+)?)?$/;  // today, the points, the guides
const MOST = 60;

addEventListener("install", () => skipWaiting());
addEventListener("activate", (event) => event.waitUntil(clients.claim()));

async function keep(request, answer) {
  const cache = await caches.open(KEPT);
  await cache.put(request, answer);
  const all = await cache.keys();
  for (const old of all.slice(0, Math.max(0, all.length - MOST))) await cache.delete(old);
}

// The newest while there is a network; else what was kept, with a line that says so.
async function page(request) {
  try {
    const answer = await fetch(request);
    if (answer.ok && !answer.redirected) await keep(new URL(request.url).pathname, answer.clone());
    return answer;
  } catch (lost) {
    const kept = await (await caches.open(KEPT)).match(new URL(request.url).pathname);
    if (!kept) throw lost;
    const text = (await kept.text()).replace("<html ", "<html data-offline ");
    return new Response(text, { headers: kept.headers });
  }
}

async function file(request) {
  const cache = await caches.open(KEPT), kept = await cache.match(request);
  if (kept) return kept;
  const answer = await fetch(request);
  if (answer.ok) await keep(request, answer.clone());
  return answer;
}

addEventListener("fetch", (event) => {
  const { request } = event, { origin, pathname } = new URL(request.url);
  if (request.method !== "GET" || origin !== location.origin) return;
  if (request.mode === "navigate" && PAGES.test(pathname)) event.respondWith(page(request));
  else if (pathname.startsWith("/static/v-")) event.respondWith(file(request));
});

// Whoever signs out takes what they saw along.
addEventListener("message", (event) => { if (event.data === "forget") event.waitUntil(caches.delete(KEPT)); });
