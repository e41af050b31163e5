// A secret that is shown once is copied by one press. Without a script it is marked
// and copied by hand.
for (const place of document.querySelectorAll("[data-copy]")) {
  if (!navigator.clipboard) continue; // a browser gives it over HTTPS only
  place.hidden = false;
  place.querySelector("button").addEventListener("click", async () => {
    const told = place.querySelector("[role=status]");
    try {
      await navigator.clipboard.writeText(document.getElementById(place.dataset.copy).textContent);
      told.textContent = "Copied.";
    } catch {
      told.textContent = "The browser does not let us: mark it and copy it by hand.";
    }
  });
}
