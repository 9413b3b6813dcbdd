// Select photos and tag them, by keyboard, mouse or touch.
// A tag is shown at once as unsaved; requests are sent one after another, and the tiles then show the server's answer.
"use strict";
(() => {
  const panel = document.getElementById("panel");
  if (!panel) return;
  const token = document.body.dataset.token;
  const grid = document.getElementById("grid");
  const canTag = panel.dataset.canTag === "yes";
  const statusLine = document.getElementById("status");
  const conflict = document.getElementById("conflict");
  const tiles = [...document.querySelectorAll("[data-sha]")];
  const bySha = new Map(tiles.map((tile) => [tile.dataset.sha, tile]));
  const undos = panel.dataset.last ? [Number(panel.dataset.last)] : [];
  const boxOf = (tile) => tile.querySelector("input[type=checkbox]");
  let current = 0;
  let anchor = 0;

  // --- selecting ---

  const selected = () => (grid ? tiles.filter((tile) => boxOf(tile).checked) : tiles);

  function targetTiles() {
    const some = selected();
    if (some.length || !grid) return some;
    const here = document.activeElement && document.activeElement.closest("[data-sha]");
    return here ? [here] : [];
  }

  function showSelection() {
    const label = document.getElementById("selected");
    if (!label) return;
    const many = selected().length;
    label.textContent = many === 0 ? "No photo selected" : many === 1 ? "1 photo selected" : `${many} photos selected`;
    for (const tile of tiles) tile.classList.toggle("selected", boxOf(tile).checked);
    panel.classList.toggle("has", many > 0);
  }

  function focusTile(position, extend) {
    current = Math.max(0, Math.min(tiles.length - 1, position));
    tiles.forEach((tile, at) => { boxOf(tile).tabIndex = at === current ? 0 : -1; tile.querySelector("a").tabIndex = -1; });
    boxOf(tiles[current]).focus();
    tiles[current].scrollIntoView({ block: "nearest" });
    if (extend) {
      const [from, to] = [Math.min(anchor, current), Math.max(anchor, current)];
      tiles.forEach((tile, at) => { boxOf(tile).checked = at >= from && at <= to; });
      showSelection();
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
      showSelection();
      event.target.closest(".tile").scrollIntoView({ block: "nearest" }); // on a phone the panel may cover it
    });
    grid.addEventListener("click", (event) => {
      const tile = event.target.closest(".tile");
      if (!tile || !event.shiftKey) return;
      event.preventDefault();
      focusTile(tiles.indexOf(tile), true);
    });
    grid.addEventListener("focusin", (event) => {
      const tile = event.target.closest(".tile");
      if (tile) current = tiles.indexOf(tile);
    });
    grid.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const steps = { ArrowRight: 1, ArrowLeft: -1, ArrowDown: columns(), ArrowUp: -columns() };
      if (event.key in steps) focusTile(current + steps[event.key], event.shiftKey);
      else if (event.key === "Home") focusTile(0, event.shiftKey);
      else if (event.key === "End") focusTile(tiles.length - 1, event.shiftKey);
      else if (event.key === "Enter") location.assign(tiles[current].querySelector("a").href);
      else return;
      event.preventDefault();
    });
    showSelection();
    // The grid has the focus when the page opens, at the photo one came from.
    const from = location.hash.startsWith("#p-") ? tiles.findIndex((tile) => tile.dataset.sha.startsWith(location.hash.slice(3))) : 0;
    if (!document.querySelector("[autofocus]")) {
      focusTile(Math.max(0, from), false);
      if (from <= 0) scrollTo(0, 0);
      else tiles[from].scrollIntoView({ block: "center" });
    }
    Board.on("select-all", () => {
      const all = tiles.every((tile) => boxOf(tile).checked);
      for (const tile of tiles) boxOf(tile).checked = !all;
      showSelection();
    });
    Board.on("side-by-side", () => {
      const some = selected();
      if (some.length < 2 || some.length > 4) return void showStatus("Select two, three or four photos first.");
      const query = new URLSearchParams(some.map((tile) => ["photo", tile.dataset.sha]));
      query.set("back", location.pathname + location.search);
      location.assign(`/side-by-side?${query}`);
    });
  }

  // --- sending ---

  let queue = Promise.resolve();
  let waiting = 0;
  const enqueue = (work) => {
    waiting += 1;
    panel.dataset.waiting = String(waiting);
    queue = queue.then(work).catch(() => {
      showStatus("The board does not answer. Your last change is not saved. Load the page again.");
    }).finally(() => { waiting -= 1; panel.dataset.waiting = String(waiting); });
    return queue;
  };

  async function post(path, body) {
    const answer = await fetch(path, {
      method: "POST",
      headers: { "content-type": "application/json", accept: "application/json", "x-board-token": token },
      body: JSON.stringify(body),
    });
    return { status: answer.status, data: await answer.json() };
  }

  const showStatus = (words) => { if (statusLine) statusLine.textContent = words; };

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

  function showUnsaved(some, facet, value, words) {
    for (const tile of some) {
      const pills = [...tile.querySelectorAll(".pill")].map((pill) => ({
        facet: pill.dataset.facet, value: pill.dataset.value, text: pill.textContent,
        guess: pill.classList.contains("guess"), why: pill.title,
      })).filter((pill) => pill.facet !== facet);
      pills.push({ facet, value, text: words, guess: false, why: "not saved yet", saving: true });
      const order = ["face", "role", "component", "condition", "count"];
      pills.sort((a, b) => order.indexOf(a.facet) - order.indexOf(b.facet));
      drawPills(tile, pills);
    }
  }

  const countOf = (some) => (some.length === 1 ? "1 photo" : `${some.length} photos`);
  const marksOf = (some) => Object.fromEntries(some.map((tile) => [tile.dataset.sha, tile.dataset.mark]));

  function sendTags(some, body, words) {
    return enqueue(async () => {
      const { status, data } = await post("/do/tag", { photos: marksOf(some), ...body });
      if (data.tiles) redraw(data.tiles);
      if (status === 200) {
        undos.push(data.undo);
        conflict.hidden = true;
        showStatus(`${countOf(some)}: ${words}. Press z to undo.`);
      } else if (status === 401) {
        location.reload();
      } else {
        const back = some.filter((tile) => tile.querySelector(".saving"));
        if (back.length) await refresh(back);
        conflict.textContent = `${data.message} ${data.hint}`;
        conflict.hidden = false;
        showStatus("");
      }
    });
  }

  // After a refusal the tiles show what is saved, read from the page again.
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

  function stateFacet(facet, value, words) {
    const some = targetTiles();
    if (!some.length) return showStatus("Select a photo first.");
    showUnsaved(some, facet, value, words);
    return sendTags(some, { tags: { [facet]: value } }, words);
  }

  // What confirming would state is shown first; for one photo its own page or tile shows it already.
  const dialog = document.getElementById("confirm-dialog");
  const leftWords = (plan) => [
    plan.left_weak ? `${plan.left_weak} left: less than ${plan.level}\u00a0% probable.` : "",
    plan.left_damage ? `${plan.left_damage} of damage or hits left: look at the photo, then state it.` : "",
  ].filter(Boolean).join(" ");

  function askToConfirm(some) {
    return enqueue(async () => {
      const { status, data } = await post("/do/would-confirm", { photos: some.map((tile) => tile.dataset.sha) });
      if (status !== 200) return showStatus(`${data.message} ${data.hint}`);
      if (!data.shown.length) return showStatus(`No guess to confirm. ${leftWords(data)}`);
      if (some.length === 1) return void confirmShown(some, data);
      const many = data.shown.reduce((sum, one) => sum + one.values.length, 0);
      document.getElementById("confirm-title").textContent = `State ${many} ${many === 1 ? "guess" : "guesses"} in your name?`;
      document.getElementById("confirm-left").textContent = leftWords(data);
      document.getElementById("confirm-list").replaceChildren(...data.shown.map((one) => {
        const line = document.createElement("li");
        const picture = document.createElement("img");
        picture.src = `/thumb/${one.sha}/320`;
        picture.alt = "";
        picture.loading = "lazy";
        const words = document.createElement("span");
        const name = document.createElement("b");
        name.textContent = one.name;
        words.append(name, ` ${one.values.join("; ")}`);
        line.append(picture, words);
        return line;
      }));
      dialog.onclose = () => { if (dialog.returnValue === "yes") confirmShown(some, data); };
      dialog.returnValue = "";
      return dialog.showModal();
    });
  }

  function confirmShown(some, plan) {
    const stated = some.filter((tile) => tile.dataset.sha in plan.each);
    return sendTags(stated, { each: plan.each }, `guesses confirmed. ${leftWords(plan)}`.trim());
  }

  if (dialog) {
    dialog.addEventListener("keydown", (event) => {
      if (event.key === "y" && Board.singleKeys()) { event.preventDefault(); dialog.close("yes"); }
      event.stopPropagation();
    });
  }

  const actions = {
    confirm() {
      const some = targetTiles();
      if (!some.length) return showStatus("Select a photo first.");
      return askToConfirm(some);
    },
    clear() {
      const some = targetTiles();
      if (!some.length) return showStatus("Select a photo first.");
      return sendTags(some, { tags: { face: null, role: null, component: null, condition: null, count: null } }, "stated tags removed");
    },
    undo() {
      return enqueue(async () => {
        const number = undos.pop();
        if (number === undefined) return showStatus("You have no change to undo here.");
        const { status, data } = await post("/do/undo-tag", { number });
        if (data.tiles) redraw(data.tiles);
        conflict.hidden = status === 200;
        if (status === 200) showStatus("Undone.");
        else conflict.textContent = `${data.message} ${data.hint}`;
        return undefined;
      });
    },
    place() { return moveTo(document.getElementById("claim").value.trim()); },
    here() { return moveTo(document.body.dataset.number); },
  };

  function moveTo(claim) {
    const some = targetTiles();
    if (!some.length) return showStatus("Select a photo first.");
    if (!claim) return showStatus("Enter a claim number.");
    return enqueue(async () => {
      const { status, data } = await post("/do/place", { photos: marksOf(some), claim });
      if (status === 200) location.reload();
      else if (conflict) { conflict.textContent = `${data.message} ${data.hint}`; conflict.hidden = false; }
    });
  }

  // --- buttons and keys ---

  // Esc removes the selection; without one it leads back.
  Board.on("up", () => {
    if (grid && selected().length) {
      for (const tile of tiles) boxOf(tile).checked = false;
      showSelection();
      return true;
    }
    const up = document.getElementById("up");
    if (up) location.assign(up.href);
    return Boolean(up);
  });
  if (!grid) {
    Board.on("step", (event) => {
      const link = !event.shiftKey && document.getElementById(event.key === "ArrowLeft" ? "prev" : "next");
      if (link) location.assign(link.href);
      return Boolean(link);
    });
  }

  const byKey = new Map();
  for (const button of panel.querySelectorAll("[data-key]")) byKey.set(button.dataset.key, button);
  const wordsOf = (button) => [...button.childNodes].filter((node) => node.nodeType === 3).map((node) => node.data).join("").trim();

  panel.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.dataset.action) actions[button.dataset.action]();
    else if (canTag && button.dataset.facet) stateFacet(button.dataset.facet, button.dataset.value, wordsOf(button));
  });

  const component = document.getElementById("component");
  const count = document.getElementById("count");
  const backToPhotos = () => { if (grid && tiles.length) focusTile(current, false); else document.getElementById("main").focus(); };
  if (component) {
    const choose = () => {
      if (!component.value) return;
      stateFacet("component", component.value, component.selectedOptions[0].textContent);
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
      stateFacet("count", count.value, count.value === "1" ? "1 hit" : `${count.value} hits`);
      count.value = "";
      backToPhotos();
      event.preventDefault();
    });
  }

  document.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey) return;
    if (document.querySelector("dialog[open]") || event.target.closest("input:not([type=checkbox]), textarea, select")) return;
    if (!Board.singleKeys()) return;
    const button = canTag && byKey.get(event.key);
    if (!button) return;
    event.preventDefault();
    if (button.matches("select, input")) button.focus();
    else button.click();
  });
})();
