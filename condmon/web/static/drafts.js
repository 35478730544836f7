// Keeps what was typed into a form with data-draft until it was taken in: a lost connection, a locked
// phone or a closed page cost nothing. Kept on this phone only.
"use strict";
(() => {
  const fields = (form) => [...form.querySelectorAll("input:not([type=hidden]):not([type=file]), textarea, select")];
  const name = (form) => `draft:${location.pathname}:${form.dataset.draft}`;

  function keep(form) {
    const typed = {};
    for (const field of fields(form)) if (field.name && field.value !== "") typed[field.name] = field.value;
    try { localStorage.setItem(name(form), JSON.stringify(typed)); } catch (_) { /* no room: only the draft is missing */ }
  }

  function restore(form) {
    let typed = null;
    try { typed = JSON.parse(localStorage.getItem(name(form)) || "null"); } catch (_) { return; }
    if (!typed) return;
    for (const field of fields(form)) if (field.name in typed && field.value === field.defaultValue) field.value = typed[field.name];
    const fold = form.closest("details");
    if (fold) fold.open = true;
  }

  const forms = () => document.querySelectorAll("form[data-draft]");
  const sent = sessionStorage.getItem("sent");
  sessionStorage.removeItem("sent");
  const said = document.querySelector(".said[role=status]");
  if (sent && said && !said.textContent.includes("was refused")) localStorage.removeItem(sent);
  forms().forEach(restore);

  document.addEventListener("input", (event) => {
    const form = event.target.closest && event.target.closest("form[data-draft]");
    if (form) keep(form);
  });
  document.addEventListener("submit", (event) => {
    const form = event.target.closest("form[data-draft]");
    if (!form) return;
    keep(form);
    const lost = document.getElementById("lost");
    if (lost && !lost.hidden) {
      event.preventDefault();
      lost.textContent = "Not sent: there is no connection. What you wrote is kept on this phone; send it again later.";
      return;
    }
    sessionStorage.setItem("sent", name(form));
  }, true);
})();
