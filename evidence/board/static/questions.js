// Review by question: a key presses, chooses or focuses the element that carries it in `data-key`.
// In an open "not needed" part its keys come first; Escape closes it.
"use strict";
(() => {
  const page = document.querySelector(".review");
  if (!page) return;
  const title = document.getElementById("question");
  if (title) title.focus({ preventScroll: true });
  const singleKeys = () => {
    try { return localStorage.getItem("keys") !== "off"; } catch { return true; }
  };

  const shown = (element) => !element.closest("details:not([open])") || element.matches("details");
  function withKey(key) {
    const all = [...page.querySelectorAll(`[data-key="${CSS.escape(key)}"]`)].filter(shown);
    const open = page.querySelector("details.not-needed[open]");
    return (open && all.find((element) => open.contains(element) && element !== open)) || all.find((element) => !open || element === open || !open.contains(element));
  }

  function use(element) {
    if (element.matches("details")) {
      for (const other of page.querySelectorAll("details.not-needed[open]")) if (other !== element) other.open = false;
      element.open = !element.open;
      element.querySelector("summary").focus();
    } else if (element.matches("input[type=radio], input[type=checkbox]")) {
      if (element.type === "radio") element.checked = true; else element.checked = !element.checked;
      element.focus();
      const other = element.name === "component" && page.querySelector("[name=component_other]");
      if (other) other.value = "";
    } else if (element.matches("input, select")) {
      element.focus();
      if (element.select) element.select();
    } else element.click();
  }

  let sent = false;
  page.addEventListener("submit", (event) => {
    if (sent) event.preventDefault(); // a key held down answers once
    sent = true;
  });

  document.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
    if (document.querySelector("dialog[open]")) return;
    const field = event.target.closest("input:not([type=checkbox]):not([type=radio]), textarea, select");
    if (event.key === "Escape") {
      const open = page.querySelector("details.not-needed[open]");
      if (field) title.focus();
      else if (open) open.open = false;
      else return;
      event.preventDefault();
      return;
    }
    if (field || event.key.length !== 1 || !singleKeys()) return;
    const element = withKey(event.key);
    if (!element) return;
    event.preventDefault();
    use(element);
  });
})();
