// A form that was sent is not sent again by a second click while its answer is
// on the way. The server does it once in any case; this spares people the
// answer to the second.
document.addEventListener("submit", (e) => {
  const form = e.target;
  if (!form.hasAttribute("data-once")) return;
  if (form.dataset.sent) {
    e.preventDefault();
    return;
  }
  form.dataset.sent = "yes";
});
// coming back to the page makes its form ready again
window.addEventListener("pageshow", () => {
  for (const form of document.querySelectorAll("form[data-once]")) delete form.dataset.sent;
});
