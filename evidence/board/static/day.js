// The arrow keys move the focus from gap to gap along a boundary.
"use strict";
document.addEventListener("keydown", (event) => {
  const gap = event.target.closest(".gap");
  if (!gap || !["ArrowLeft", "ArrowRight"].includes(event.key)) return;
  const gaps = [...gap.closest(".boundary").querySelectorAll(".gap")];
  const next = gaps[gaps.indexOf(gap) + (event.key === "ArrowRight" ? 1 : -1)];
  if (next) { next.focus(); event.preventDefault(); }
});
