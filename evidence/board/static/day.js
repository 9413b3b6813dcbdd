// On a boundary the arrows go from gap to gap, as they would along a row of photos.
"use strict";
document.addEventListener("keydown", (event) => {
  const gap = event.target.closest(".gap");
  if (!gap || !["ArrowLeft", "ArrowRight"].includes(event.key)) return;
  const gaps = [...gap.closest(".boundary").querySelectorAll(".gap")];
  const next = gaps[gaps.indexOf(gap) + (event.key === "ArrowRight" ? 1 : -1)];
  if (next) { next.focus(); event.preventDefault(); }
});
