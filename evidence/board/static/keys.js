// Runs the keys of the `?` dialog, which holds the board's one table of keys.
// A script offers an action with `Board.on(name, work)`; else the element with `data-does="name"` is pressed, or gets
// the focus if it is a field or `data-focus` is set.
"use strict";
window.Board = (() => {
  const actions = new Map();
  const names = new Map();
  const dialog = document.getElementById("keys-dialog");
  const box = document.getElementById("keys");

  for (const row of dialog ? dialog.querySelectorAll("[data-runs]") : []) {
    for (const key of JSON.parse(row.dataset.keys)) {
      if (!names.has(key)) names.set(key, []);
      names.get(key).push(row.dataset.runs);
    }
  }

  const stored = (name) => { try { return localStorage.getItem(name); } catch { return null; } };
  const store = (name, value) => { try { localStorage.setItem(name, value); } catch { /* storage is disabled */ } };
  const on = (name, work) => { actions.set(name, work); };
  const singleKeys = () => !box || box.checked;
  const inField = (target) => Boolean(target.closest("input:not([type=checkbox]):not([type=range]), textarea, select"));

  // True when something took the key.
  function run(name, event) {
    const work = actions.get(name);
    if (work) return work(event) !== false;
    const element = document.querySelector(`[data-does="${name}"]`);
    if (!element || element.closest("[hidden]")) return false;
    for (let around = element.closest("details"); around; around = around.parentElement.closest("details")) around.open = true;
    if (element.matches("input, textarea, select, [data-focus]")) {
      element.focus();
      element.scrollIntoView({ block: "center" });
    } else element.click();
    return true;
  }

  document.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
    if (document.querySelector("dialog[open]") || inField(event.target)) return;
    if (event.key.length === 1 && !singleKeys()) return;
    for (const name of names.get(event.key) || []) {
      if (run(name, event)) { event.preventDefault(); return; }
    }
  });

  if (box) {
    box.checked = stored("keys") !== "off";
    box.addEventListener("change", () => store("keys", box.checked ? "on" : "off"));
  }
  if (dialog) {
    const show = () => dialog.showModal();
    on("keys", show);
    for (const button of document.querySelectorAll("[data-shows-keys]")) {
      button.hidden = false;
      button.addEventListener("click", show);
    }
    dialog.addEventListener("click", (event) => { if (event.target === dialog) dialog.close(); });
    dialog.addEventListener("keydown", (event) => { if (event.key === "?") { dialog.close(); event.preventDefault(); } });
  }
  const here = document.querySelector(".tabs a[aria-current]");
  if (here) {
    const tabs = here.parentElement; // on a phone the row of pages is wider than the screen: show the one that is open
    tabs.scrollLeft = here.offsetLeft - tabs.offsetLeft - (tabs.clientWidth - here.offsetWidth) / 2;
  }
  return { on, run, stored, store, singleKeys };
})();
