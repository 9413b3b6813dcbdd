// Before the page is drawn: the colours that this person chose, else those of the system. Runs first, so nothing flashes.
"use strict";
(() => {
  const root = document.documentElement;
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const read = () => { try { return localStorage.getItem("theme"); } catch { return null; } };
  const show = (theme) => { if (theme === "dark" || theme === "light") root.dataset.theme = theme; };
  show(read());
  document.addEventListener("DOMContentLoaded", () => {
    const button = document.getElementById("theme");
    if (!button) return;
    const isDark = () => (root.dataset.theme ? root.dataset.theme === "dark" : dark.matches);
    const tell = () => { button.setAttribute("aria-pressed", String(isDark())); };
    button.hidden = false;
    tell();
    button.addEventListener("click", () => {
      show(isDark() ? "light" : "dark");
      try { localStorage.setItem("theme", root.dataset.theme); } catch { /* storage is disabled */ }
      tell();
    });
    dark.addEventListener("change", tell);
  });
})();
