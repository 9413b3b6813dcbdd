// Choosing photos and saying what they show, by keyboard or by finger.
// What is pressed shows at once; the board is told in order, and its answer is what stands.
"use strict";
(() => {
  const panel = document.getElementById("panel");
  if (!panel) return;
  const token = document.body.dataset.token;
  const grid = document.getElementById("grid");
  const may = panel.dataset.may === "yes";
  const spoken = document.getElementById("spoken");
  const clash = document.getElementById("clash");
  const tiles = [...document.querySelectorAll("[data-sha]")];
  const bySha = new Map(tiles.map((tile) => [tile.dataset.sha, tile]));
  const undos = panel.dataset.last ? [Number(panel.dataset.last)] : [];
  const boxOf = (tile) => tile.querySelector("input[type=checkbox]");
  const keysOn = document.getElementById("keys");
  let current = 0;
  let anchor = 0;

  // --- choosing ---

  const chosen = () => (grid ? tiles.filter((tile) => boxOf(tile).checked) : tiles);

  function acting() {
    const some = chosen();
    if (some.length || !grid) return some;
    const here = document.activeElement && document.activeElement.closest("[data-sha]");
    return here ? [here] : [];
  }

  function showChosen() {
    const label = document.getElementById("chosen");
    if (!label) return;
    const many = chosen().length;
    label.textContent = many === 0 ? "None chosen" : many === 1 ? "1 photo chosen" : `${many} photos chosen`;
    for (const tile of tiles) tile.classList.toggle("chosen", boxOf(tile).checked);
    panel.classList.toggle("has", many > 0);
  }

  function goTo(place, extend) {
    current = Math.max(0, Math.min(tiles.length - 1, place));
    tiles.forEach((tile, at) => { boxOf(tile).tabIndex = at === current ? 0 : -1; tile.querySelector("a").tabIndex = -1; });
    boxOf(tiles[current]).focus();
    tiles[current].scrollIntoView({ block: "nearest" });
    if (extend) {
      const [from, to] = [Math.min(anchor, current), Math.max(anchor, current)];
      tiles.forEach((tile, at) => { boxOf(tile).checked = at >= from && at <= to; });
      showChosen();
    } else {
      anchor = current;
    }
  }

  function columns() {
    const top = tiles[0].offsetTop;
    const next = tiles.findIndex((tile) => tile.offsetTop > top);
    return next < 0 ? tiles.length : next;
  }

  if (grid && tiles.length) {
    tiles.forEach((tile, at) => { boxOf(tile).tabIndex = at === 0 ? 0 : -1; tile.querySelector("a").tabIndex = -1; });
    grid.addEventListener("change", (event) => {
      showChosen();
      event.target.closest(".tile").scrollIntoView({ block: "nearest" }); // the panel of a phone may have covered it
    });
    grid.addEventListener("click", (event) => {
      const tile = event.target.closest(".tile");
      if (!tile || !event.shiftKey) return;
      event.preventDefault();
      goTo(tiles.indexOf(tile), true);
    });
    grid.addEventListener("focusin", (event) => {
      const tile = event.target.closest(".tile");
      if (tile) current = tiles.indexOf(tile);
    });
    grid.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const steps = { ArrowRight: 1, ArrowLeft: -1, ArrowDown: columns(), ArrowUp: -columns() };
      if (event.key in steps) goTo(current + steps[event.key], event.shiftKey);
      else if (event.key === "Home") goTo(0, event.shiftKey);
      else if (event.key === "End") goTo(tiles.length - 1, event.shiftKey);
      else if (event.key === "Enter") location.assign(tiles[current].querySelector("a").href);
      else return;
      event.preventDefault();
    });
    showChosen();
  }

  // --- telling the board ---

  let queue = Promise.resolve();
  let waiting = 0;
  const inTurn = (work) => {
    waiting += 1;
    panel.dataset.waiting = String(waiting);
    queue = queue.then(work).catch(() => {
      say("The board does not answer. What you pressed last is not saved; load the page again.");
    }).finally(() => { waiting -= 1; panel.dataset.waiting = String(waiting); });
    return queue;
  };

  async function ask(path, body) {
    const answer = await fetch(path, {
      method: "POST",
      headers: { "content-type": "application/json", accept: "application/json", "x-board-token": token },
      body: JSON.stringify(body),
    });
    return { status: answer.status, data: await answer.json() };
  }

  const say = (words) => { if (spoken) spoken.textContent = words; };

  function drawPills(tile, pills) {
    const list = tile.querySelector(".pills");
    list.replaceChildren(...pills.map((one) => {
      const pill = document.createElement("li");
      pill.className = `pill ${one.guess ? "guess" : "stated"} f-${one.facet}${one.saving ? " saving" : ""}`;
      pill.title = one.why || "";
      pill.dataset.facet = one.facet;
      pill.dataset.value = one.value;
      pill.textContent = one.text;
      return pill;
    }));
  }

  function redraw(changed) {
    for (const one of changed) {
      const tile = bySha.get(one.sha);
      if (!tile) continue;
      tile.dataset.mark = one.mark;
      drawPills(tile, one.pills);
      const box = boxOf(tile);
      if (box) box.setAttribute("aria-label", one.alt);
    }
  }

  function showAtOnce(some, facet, value, words) {
    for (const tile of some) {
      const pills = [...tile.querySelectorAll(".pill")].map((pill) => ({
        facet: pill.dataset.facet, value: pill.dataset.value, text: pill.textContent,
        guess: pill.classList.contains("guess"), why: pill.title,
      })).filter((pill) => pill.facet !== facet);
      pills.push({ facet, value, text: words, guess: false, why: "being saved", saving: true });
      const order = ["face", "role", "component", "condition", "count"];
      pills.sort((a, b) => order.indexOf(a.facet) - order.indexOf(b.facet));
      drawPills(tile, pills);
    }
  }

  const many = (some) => (some.length === 1 ? "1 photo" : `${some.length} photos`);
  const marksOf = (some) => Object.fromEntries(some.map((tile) => [tile.dataset.sha, tile.dataset.mark]));

  function tell(some, body, words) {
    return inTurn(async () => {
      const { status, data } = await ask("/do/tag", { photos: marksOf(some), ...body });
      if (data.tiles) redraw(data.tiles);
      if (status === 200) {
        undos.push(data.undo);
        clash.hidden = true;
        say(`${many(some)}: ${words}. z takes it back.`);
      } else if (status === 401) {
        location.reload();
      } else {
        const back = some.filter((tile) => tile.querySelector(".saving"));
        if (back.length) await refresh(back);
        clash.textContent = `${data.message} ${data.hint}`;
        clash.hidden = false;
        say("");
      }
    });
  }

  // After a refusal the tile shows what the board holds, read from a fresh page.
  async function refresh(some) {
    const page = await fetch(location.href, { headers: { accept: "text/html" } });
    const fresh = new DOMParser().parseFromString(await page.text(), "text/html");
    for (const tile of some) {
      const now = fresh.querySelector(`[data-sha="${tile.dataset.sha}"]`);
      if (!now) continue;
      tile.dataset.mark = now.dataset.mark;
      drawPills(tile, [...now.querySelectorAll(".pill")].map((pill) => ({
        facet: pill.dataset.facet, value: pill.dataset.value, text: pill.textContent,
        guess: pill.classList.contains("guess"), why: pill.title,
      })));
    }
  }

  function state(facet, value, words) {
    const some = acting();
    if (!some.length) return say("Choose a photo first.");
    showAtOnce(some, facet, value, words);
    return tell(some, { say: { [facet]: value } }, words);
  }

  const acts = {
    confirm() {
      const some = acting();
      if (!some.length) return say("Choose a photo first.");
      return tell(some, { confirm: true }, "the guesses are confirmed");
    },
    clear() {
      const some = acting();
      if (!some.length) return say("Choose a photo first.");
      return tell(some, { say: { face: null, role: null, component: null, condition: null, count: null } }, "what was said is taken back");
    },
    undo() {
      return inTurn(async () => {
        const number = undos.pop();
        if (number === undefined) return say("There is nothing of yours to take back here.");
        const { status, data } = await ask("/do/undo-tag", { number });
        if (data.tiles) redraw(data.tiles);
        clash.hidden = status === 200;
        if (status === 200) say("Taken back.");
        else clash.textContent = `${data.message} ${data.hint}`;
        return undefined;
      });
    },
    place() { return put(document.getElementById("claim").value.trim()); },
    here() { return put(document.body.dataset.number); },
  };

  function put(claim) {
    const some = acting();
    if (!some.length) return say("Choose a photo first.");
    if (!claim) return say("Say which claim.");
    return inTurn(async () => {
      const { status, data } = await ask("/do/place", { photos: marksOf(some), claim });
      if (status === 200) location.reload();
      else if (clash) { clash.textContent = `${data.message} ${data.hint}`; clash.hidden = false; }
    });
  }

  // --- buttons and keys ---

  const byKey = new Map();
  for (const button of panel.querySelectorAll("[data-key]")) byKey.set(button.dataset.key, button);
  const wordsOf = (button) => [...button.childNodes].filter((node) => node.nodeType === 3).map((node) => node.data).join("").trim();

  panel.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.dataset.act) acts[button.dataset.act]();
    else if (may && button.dataset.facet) state(button.dataset.facet, button.dataset.value, wordsOf(button));
  });

  const component = document.getElementById("component");
  const count = document.getElementById("count");
  const backToPhotos = () => { if (grid && tiles.length) goTo(current, false); else document.getElementById("main").focus(); };
  if (component) {
    const choose = () => {
      if (!component.value) return;
      state("component", component.value, component.selectedOptions[0].textContent);
      component.value = "";
      backToPhotos();
    };
    component.addEventListener("keydown", (event) => {
      if (event.key === "Enter") { choose(); event.preventDefault(); }
      if (event.key === "Escape") { component.value = ""; backToPhotos(); event.preventDefault(); }
    });
    let byPointer = false;
    component.addEventListener("pointerdown", () => { byPointer = true; });
    component.addEventListener("change", () => { if (byPointer) choose(); });
    component.addEventListener("blur", () => { byPointer = false; if (component.value) choose(); });
  }
  if (count) {
    count.addEventListener("keydown", (event) => {
      if (event.key === "Escape") { count.value = ""; backToPhotos(); event.preventDefault(); }
      if (event.key !== "Enter" || count.value === "") return;
      state("count", count.value, count.value === "1" ? "1 hit" : `${count.value} hits`);
      count.value = "";
      backToPhotos();
      event.preventDefault();
    });
  }

  if (keysOn) {
    try { keysOn.checked = localStorage.getItem("keys") !== "off"; } catch { /* a browser that keeps nothing */ }
    keysOn.addEventListener("change", () => {
      try { localStorage.setItem("keys", keysOn.checked ? "on" : "off"); } catch { /* the same */ }
    });
  }

  document.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.target.closest("input:not([type=checkbox]), textarea, select")) return;
    if (event.key === "Escape") {
      const up = document.getElementById("up");
      if (!grid && up) location.assign(up.href);
      for (const tile of grid ? tiles : []) boxOf(tile).checked = false;
      showChosen();
      return;
    }
    if (!grid && !event.shiftKey && (event.key === "ArrowLeft" || event.key === "ArrowRight")) {
      const link = document.getElementById(event.key === "ArrowLeft" ? "prev" : "next");
      if (link) { location.assign(link.href); event.preventDefault(); }
      return;
    }
    if (!keysOn || !keysOn.checked) return;
    if (grid && event.key === "a") {
      const all = tiles.every((tile) => boxOf(tile).checked);
      for (const tile of tiles) boxOf(tile).checked = !all;
      showChosen();
      event.preventDefault();
      return;
    }
    const button = may && byKey.get(event.key);
    if (!button) return;
    event.preventDefault();
    if (button.matches("select, input")) button.focus();
    else button.click();
  });
})();
