// What does an installed page show when the daemon can't be reached?  Its own files, so that it can say "Blind".
const SHELL = "benchd-shell-6";
const FILES = ["/", "/style.css", "/page.js", "/dom.js", "/stream.js", "/voice.js", "/words.js", "/plot.js", "/rows.js", "/strip.js", "/marks.js", "/chips.js", "/plan.js", "/orders.js", "/book.js", "/shelf.js", "/watch.js",
  "/icon.svg", "/manifest.webmanifest"];

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(SHELL).then((cache) => cache.addAll(FILES)).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method !== "GET" || url.origin !== location.origin || !FILES.includes(url.pathname)) return;
  event.respondWith(fresh(event.request, url.pathname));
});

async function fresh(request, path) {
  const cache = await caches.open(SHELL);
  try {
    const answer = await fetch(request);
    if (answer.ok) await cache.put(path, answer.clone());
    return answer;
  } catch (error) {
    const kept = await cache.match(path);
    if (kept) return kept;
    throw error;
  }
}
