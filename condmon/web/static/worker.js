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

// A notification. What it says may be hours old when the phone was off: it is looked up once more.
async function notify(data) {
  let told = { title: "condmon", body: "Something happened; open the page.", tag: "condmon", open: "/" };
  try { told = data.json(); } catch (_) { /* then only that something happened is known */ }
  if (told.alert && !told.over) {
    try {
      const answer = await fetch(`/api/alerts/${told.alert}`, { signal: AbortSignal.timeout(4000) });
      const now = answer.ok ? await answer.json() : {};
      if (now.ended) {
        told.over = true;
        told.title = `${now.machine_name} over: ${now.title}`;
        told.body = "It had ended before this phone could show it.";
      }
    } catch (_) { /* not in the shop's network: shown as it was sent */ }
  }
  await self.registration.showNotification(told.title, { body: told.body, tag: told.tag, renotify: !told.over,
    icon: KEPT[0], data: { open: told.open } });
}
self.addEventListener("push", (event) => event.waitUntil(notify(event.data)));
self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  event.waitUntil(self.clients.openWindow(event.notification.data.open));
});
