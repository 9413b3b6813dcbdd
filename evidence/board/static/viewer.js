// Zoom and turn a photo. Only the view changes; several viewers move together.
"use strict";
(() => {
  const bar = document.querySelector(".viewer-tools[data-viewer]");
  if (!bar) return;
  const viewers = bar.dataset.viewer.split(" ").map((id) => document.getElementById(id)).filter(Boolean);
  const view = { scale: 1, turn: 0, x: 0, y: 0 };

  function draw() {
    for (const viewer of viewers) {
      const picture = viewer.querySelector("img");
      const sideways = view.turn % 180 !== 0;
      const fit = sideways ? Math.min(viewer.clientHeight / (picture.offsetWidth || 1), viewer.clientWidth / (picture.offsetHeight || 1), 1) : 1;
      const limit = (view.scale - 1) / 2;
      view.x = Math.max(-limit, Math.min(limit, view.x));
      view.y = Math.max(-limit, Math.min(limit, view.y));
      picture.style.transform = `translate(${view.x * viewer.clientWidth}px, ${view.y * viewer.clientHeight}px) scale(${view.scale * fit}) rotate(${view.turn}deg)`;
      viewer.classList.toggle("zoomed", view.scale > 1);
      viewer.dataset.turn = String(((view.turn % 360) + 360) % 360);
      viewer.dataset.scale = view.scale.toFixed(2);
    }
  }

  const changes = {
    "zoom-in": () => { view.scale = Math.min(8, view.scale * 1.35); },
    "zoom-out": () => { view.scale = Math.max(1, view.scale / 1.35); },
    reset: () => { view.scale = 1; view.x = view.y = 0; view.turn = 0; },
    "turn-left": () => { view.turn -= 90; },
    "turn-right": () => { view.turn += 90; },
  };
  const change = (what) => { changes[what](); draw(); };

  bar.addEventListener("click", (event) => {
    const button = event.target.closest("[data-view]");
    if (button) change(button.dataset.view);
  });

  const keys = { "+": "zoom-in", "=": "zoom-in", "-": "zoom-out", "0": "reset", "[": "turn-left", "]": "turn-right" };
  document.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.target.closest("input:not([type=checkbox]), textarea, select")) return;
    const box = document.getElementById("keys");
    if (box && !box.checked) return;
    if (keys[event.key]) { change(keys[event.key]); event.preventDefault(); return; }
    if (view.scale > 1 && event.shiftKey && event.key.startsWith("Arrow")) {
      const step = 0.08 * view.scale;
      view.x += { ArrowLeft: step, ArrowRight: -step }[event.key] || 0;
      view.y += { ArrowUp: step, ArrowDown: -step }[event.key] || 0;
      draw();
      event.preventDefault();
    }
  });

  for (const viewer of viewers) {
    viewer.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && view.scale === 1 && event.deltaY > 0) return;
      event.preventDefault();
      change(event.deltaY < 0 ? "zoom-in" : "zoom-out");
    }, { passive: false });
    viewer.addEventListener("dblclick", () => change(view.scale > 1 ? "reset" : "zoom-in"));
    let held = null;
    viewer.addEventListener("pointerdown", (event) => {
      if (view.scale === 1) return;
      held = { x: event.clientX, y: event.clientY };
      viewer.setPointerCapture(event.pointerId);
    });
    viewer.addEventListener("pointermove", (event) => {
      if (!held) return;
      view.x += (event.clientX - held.x) / viewer.clientWidth;
      view.y += (event.clientY - held.y) / viewer.clientHeight;
      held = { x: event.clientX, y: event.clientY };
      draw();
    });
    for (const end of ["pointerup", "pointercancel"]) viewer.addEventListener(end, () => { held = null; });
  }
})();
