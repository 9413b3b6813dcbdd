// Arrow keys in the list of claims and in the proof table.
"use strict";
(() => {
  const claims = [...document.querySelectorAll(".claim-row a")];
  if (claims.length) {
    const at = () => claims.indexOf(document.activeElement);
    const go = (place) => { claims[Math.max(0, Math.min(claims.length - 1, place))].focus(); };
    Board.on("move", (event) => go(at() < 0 ? 0 : at() + (event.key === "ArrowDown" ? 1 : -1)));
    const last = Board.stored("claim");
    const seen = claims.find((one) => one.dataset.number === last) || claims[0];
    seen.focus({ preventScroll: seen === claims[0] });
    for (const one of claims) one.addEventListener("click", () => Board.store("claim", one.dataset.number));
  }

  const table = document.querySelector(".proof-table");
  if (!table) return;
  const rows = [...table.querySelectorAll("tr")].map((row) => [...row.querySelectorAll(".cell")]).filter((cells) => cells.length);
  const steps = { ArrowRight: [0, 1], ArrowLeft: [0, -1], ArrowDown: [1, 0], ArrowUp: [-1, 0] };
  const middle = (cell) => { const box = cell.getBoundingClientRect(); return box.left + box.width / 2; };
  document.addEventListener("keydown", (event) => {
    if (!(event.key in steps) || event.defaultPrevented || event.shiftKey || event.ctrlKey || event.metaKey || event.altKey) return;
    if (document.querySelector("dialog[open]") || event.target.closest("input, textarea, select")) return;
    const here = document.activeElement.closest(".cell");
    const row = rows.findIndex((cells) => cells.includes(here));
    let next;
    if (row < 0) {
      next = table.querySelector(".c-missing, .c-guessed") || rows[0][0];
    } else if (steps[event.key][1]) {
      next = rows[row][rows[row].indexOf(here) + steps[event.key][1]];
    } else {
      const cells = rows[row + steps[event.key][0]] || [];
      next = [...cells].sort((one, other) => Math.abs(middle(one) - middle(here)) - Math.abs(middle(other) - middle(here)))[0];
    }
    if (!next) return;
    next.focus();
    next.scrollIntoView({ block: "nearest" });
    event.preventDefault();
  });

  // The reason field of the shot in focus; without one, of the first missing shot.
  Board.on("waive", () => {
    const cell = document.activeElement.closest(".cell");
    const field = (cell && document.querySelector(`[data-waives="${CSS.escape(cell.dataset.shot)}"]`)) || (cell ? null : document.querySelector("[data-waives]"));
    if (!field) return false;
    field.closest("details").open = true;
    field.focus();
    field.scrollIntoView({ block: "center" });
    return true;
  });
})();
