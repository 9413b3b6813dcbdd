// A picture that can be brought nearer and turned. Only what is seen changes; several stages move as one.
"use strict";
(() => {
  const bar = document.querySelector(".tools[data-stage]");
  if (!bar) return;
  const stages = bar.dataset.stage.split(" ").map((id) => document.getElementById(id)).filter(Boolean);
  const view = { scale: 1, turn: 0, x: 0, y: 0 };

  function draw() {
    for (const stage of stages) {
      const picture = stage.querySelector("img");
      const sideways = view.turn % 180 !== 0;
      const fit = sideways ? Math.min(stage.clientHeight / (picture.offsetWidth || 1), stage.clientWidth / (picture.offsetHeight || 1), 1) : 1;
      const reach = (view.scale - 1) / 2;
      view.x = Math.max(-reach, Math.min(reach, view.x));
      view.y = Math.max(-reach, Math.min(reach, view.y));
      picture.style.transform = `translate(${view.x * stage.clientWidth}px, ${view.y * stage.clientHeight}px) scale(${view.scale * fit}) rotate(${view.turn}deg)`;
      stage.classList.toggle("near", view.scale > 1);
      stage.dataset.turn = String(((view.turn % 360) + 360) % 360);
      stage.dataset.scale = view.scale.toFixed(2);
    }
  }

  const does = {
    in: () => { view.scale = Math.min(8, view.scale * 1.35); },
    out: () => { view.scale = Math.max(1, view.scale / 1.35); },
    whole: () => { view.scale = 1; view.x = view.y = 0; view.turn = 0; },
    left: () => { view.turn -= 90; },
    right: () => { view.turn += 90; },
  };
  const act = (what) => { does[what](); draw(); };

  bar.addEventListener("click", (event) => {
    const button = event.target.closest("[data-do]");
    if (button) act(button.dataset.do);
  });

  const keys = { "+": "in", "=": "in", "-": "out", "0": "whole", "[": "left", "]": "right" };
  document.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.target.closest("input:not([type=checkbox]), textarea, select")) return;
    const box = document.getElementById("keys");
    if (box && !box.checked) return;
    if (keys[event.key]) { act(keys[event.key]); event.preventDefault(); return; }
    if (view.scale > 1 && event.shiftKey && event.key.startsWith("Arrow")) {
      const step = 0.08 * view.scale;
      view.x += { ArrowLeft: step, ArrowRight: -step }[event.key] || 0;
      view.y += { ArrowUp: step, ArrowDown: -step }[event.key] || 0;
      draw();
      event.preventDefault();
    }
  });

  for (const stage of stages) {
    stage.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && view.scale === 1 && event.deltaY > 0) return;
      event.preventDefault();
      act(event.deltaY < 0 ? "in" : "out");
    }, { passive: false });
    stage.addEventListener("dblclick", () => act(view.scale > 1 ? "whole" : "in"));
    let held = null;
    stage.addEventListener("pointerdown", (event) => {
      if (view.scale === 1) return;
      held = { x: event.clientX, y: event.clientY };
      stage.setPointerCapture(event.pointerId);
    });
    stage.addEventListener("pointermove", (event) => {
      if (!held) return;
      view.x += (event.clientX - held.x) / stage.clientWidth;
      view.y += (event.clientY - held.y) / stage.clientHeight;
      held = { x: event.clientX, y: event.clientY };
      draw();
    });
    for (const end of ["pointerup", "pointercancel"]) stage.addEventListener(end, () => { held = null; });
  }
})();
