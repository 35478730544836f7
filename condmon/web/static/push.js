// Switches notifications on for this phone, where the browser can have them.
"use strict";
(() => {
  const can = () => window.isSecureContext && navigator.serviceWorker && window.PushManager && window.Notification;
  const say = (words) => { const e = document.getElementById("push-said"); if (e) e.textContent = words; };
  const bytes = (text) => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (c) => c.charCodeAt(0));
  const text = (buffer) => btoa(String.fromCharCode(...new Uint8Array(buffer))).replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "");

  async function switchOn(form) {
    if (await Notification.requestPermission() !== "granted") {
      say("This browser was told not to show notifications from this page; its settings change that.");
      return;
    }
    await navigator.serviceWorker.register("/worker.js");
    const worker = await navigator.serviceWorker.ready;
    const old = await worker.pushManager.getSubscription();
    if (old) await old.unsubscribe(); // it may be of another key
    const made = await worker.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: bytes(form.dataset.key) });
    const told = new URLSearchParams({ token: form.elements.token.value, endpoint: made.endpoint,
      public: text(made.getKey("p256dh")), auth: text(made.getKey("auth")) });
    const answer = await fetch("/ways/push", { method: "POST", body: told });
    if (answer.ok) { location.href = answer.url; return; }
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    say(page.getElementById("main").textContent.trim());
  }

  function show() { const button = document.getElementById("push-on"); if (button) button.hidden = !can(); }
  document.addEventListener("click", (event) => {
    if (event.target.id !== "push-on") return;
    switchOn(document.getElementById("push")).catch((error) => say(`It did not work: ${error.message}. Notifications need the internet on this phone.`));
  });
  document.addEventListener("condmon:fresh", show);
  show();
})();
