// Keeps one page for when there is no connection; never anything of a machine.
const NAME = "condmon-" + KEPT.join("|");
self.addEventListener("install", (event) => event.waitUntil(caches.open(NAME).then((c) => c.addAll(KEPT)).then(() => self.skipWaiting())));
self.addEventListener("activate", (event) => event.waitUntil(caches.keys()
  .then((names) => Promise.all(names.filter((n) => n !== NAME).map((n) => caches.delete(n))))
  .then(() => self.clients.claim())));
self.addEventListener("fetch", (event) => {
  if (event.request.mode === "navigate") {
    event.respondWith(fetch(event.request).catch(() => caches.match("/offline")));
  } else if (KEPT.some((k) => event.request.url.endsWith(k))) {
    event.respondWith(caches.match(event.request).then((found) => found || fetch(event.request)));
  }
});
