// The lists of the navigation open and close without a script; with it they close as
// well when somebody presses Escape or looks elsewhere.
const openList = () => document.querySelector(".places details[open]");
document.addEventListener("keydown", (e) => {
  const list = openList();
  if (e.key !== "Escape" || !list) return;
  list.open = false;
  list.querySelector("summary").focus();
});
for (const kind of ["click", "focusin"]) {
  document.addEventListener(kind, (e) => {
    const list = openList();
    if (list && !list.contains(e.target)) list.open = false;
  });
}
