// Keys, as the page lists them. A key that the focused field needs stays with the field.

function keyTaken(event) {
  if (event.ctrlKey || event.metaKey || event.altKey) return true;
  const { target } = event;
  if (target.matches("select, input:not([type=radio]):not([type=checkbox])")) return true;
  const typed = event.key === " " || event.key.startsWith("Arrow") || event.key === "Enter";
  if (event.key === " " && target.matches("input[type=radio]")) return false;
  return typed && target.matches("button, summary, a, input");
}

function listenToKeys(actions) {
  document.addEventListener("keydown", (event) => {
    if (keyTaken(event)) return;
    const action = actions(event);
    if (!action) return;
    event.preventDefault();
    action();
  });
}
