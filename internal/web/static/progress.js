// While a file is worked on, the page tells how far that is. The form is sent in any case;
// where the connection breaks, the browser listens again by itself.
document.addEventListener("submit", (e) => {
  const form = e.target;
  if (e.defaultPrevented || !form.hasAttribute("data-progress") || !window.EventSource) return;
  const place = document.createElement("p");
  place.className = "progress";
  place.setAttribute("role", "status");
  const bar = document.createElement("progress");
  bar.setAttribute("aria-label", "How far it is");
  const says = document.createElement("span");
  says.textContent = "The file is on its way.";
  place.append(bar, says);
  form.append(place);
  place.scrollIntoView({ block: "nearest" });
  const events = new EventSource("/progress/" + form.elements.key.value);
  events.onmessage = (m) => {
    const at = JSON.parse(m.data);
    says.textContent = at.says + ".";
    if (at.of) {
      bar.max = at.of;
      bar.value = at.done;
    }
  };
  events.addEventListener("end", () => events.close());
  window.addEventListener("pagehide", () => {
    events.close();
    place.remove();
  }, { once: true });
});
