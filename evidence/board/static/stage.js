// The large photo: `<div class="stage" data-photo="SHA256" data-width="W" data-height="H" data-alt="..."></div>`.
// It shows the preview first and, beyond its pixels, tiles of the original's own. Stages with the same `data-link` move
// together. Zoom, turn, light and loupe change only the view.
"use strict";
(() => {
  const PREVIEW = 1280; // longer side of the preview, in pixels
  const TILE = 512;
  const LIGHT = { brightness: 1, contrast: 1 };
  const LIMITS = [0.4, 3];
  const LARGEST = 4; // screen pixels for one pixel of the original

  const density = () => window.devicePixelRatio || 1;
  const made = (name, className, words) => {
    const element = document.createElement(name);
    element.className = className;
    if (words) element.textContent = words;
    return element;
  };

  // The library would add a style sheet of its own, which the board's content policy forbids, unless it finds one.
  const sheet = document.createElementNS("urn:board", "style"); // not a real style sheet, but its query finds it
  sheet.setAttribute("data-openseadragon-mobile-css", "board.css");
  document.head.append(sheet);

  // The library looks at each frame, 60 times a second, whether there is something to draw, as long as the page is open.
  // When nothing has happened for a while it looks only four times a second.
  const AWAKE_MS = 500;
  const REST_MS = 250;
  const resting = new Map(); // what runs at the next look, by the timer that waits for it
  let awakeUntil = performance.now() + AWAKE_MS;
  const wake = () => {
    awakeUntil = performance.now() + AWAKE_MS;
    for (const [timer, work] of resting) {
      clearTimeout(timer);
      window.requestAnimationFrame(work);
    }
    resting.clear();
  };
  OpenSeadragon.requestAnimationFrame = (work) => {
    if (performance.now() < awakeUntil) return window.requestAnimationFrame(work);
    const timer = setTimeout(() => { resting.delete(timer); work(); }, REST_MS);
    resting.set(timer, work);
    return timer;
  };
  for (const what of ["keydown", "pointerdown", "pointermove", "pointerup", "click", "wheel", "input", "resize", "fullscreenchange"]) {
    window.addEventListener(what, wake, { capture: true, passive: true });
  }

  // The tiles of one photo: asked for once, by the stage and its loupe.
  const asked = new Map();
  function tilesOf(sha, onWait) {
    if (!asked.has(sha)) asked.set(sha, ask(sha, onWait));
    return asked.get(sha);
  }
  async function ask(sha, onWait) {
    for (;;) {
      const answer = await fetch(`/tiles/${sha}`, { headers: { accept: "application/json" } });
      const data = await answer.json();
      if (answer.status !== 503) return answer.ok ? data : { message: `${data.message} ${data.hint || ""}` };
      onWait(data.message);
      await new Promise((go) => { setTimeout(go, 2000); });
    }
  }
  const tileSource = (sha, data) => ({
    width: data.width,
    height: data.height,
    tileSize: TILE,
    tileOverlap: 0,
    maxLevel: data.levels[0],
    minLevel: data.levels[data.levels.length - 1],
    getTileUrl: (level, column, row) => `/tile/${sha}/${level}/${column}_${row}.jpg`,
  });

  function viewerIn(element, sha, more) {
    const viewer = OpenSeadragon({
      element,
      drawer: "canvas",
      tileSources: new OpenSeadragon.ImageTileSource({ url: `/thumb/${sha}/${PREVIEW}`, buildPyramid: false }),
      showNavigationControl: false,
      showNavigator: false,
      animationTime: 0,
      springStiffness: 20,
      immediateRender: true,
      visibilityRatio: 1,
      constrainDuringPan: true,
      minZoomImageRatio: 1,
      maxZoomPixelRatio: 1e6,
      gestureSettingsMouse: { clickToZoom: false, dblClickToZoom: false, scrollToZoom: true },
      imageLoaderLimit: 4,
      maxImageCacheCount: 120,
      ...more,
    });
    viewer.addHandler("tile-loaded", wake);
    viewer.world.addHandler("add-item", wake);
    return viewer;
  }

  class Stage {
    constructor(root, group) {
      this.root = root;
      this.group = group;
      this.sha = root.dataset.photo;
      this.width = Number(root.dataset.width) || 0;
      this.height = Number(root.dataset.height) || 0;
      this.tiles = null;
      this.known = Boolean(this.width); // the size of the original; else that of the preview
      this.loading = null;
      this.view = made("div", "stage-view");
      this.view.setAttribute("role", "img");
      this.view.setAttribute("aria-label", root.dataset.alt || "photo");
      this.note = made("p", "stage-note");
      this.note.setAttribute("role", "status");
      root.replaceChildren(this.view, this.note);
      this.viewer = viewerIn(this.view, this.sha);
      this.viewer.innerTracker.keyHandler = null; // the keys are the board's own
      this.viewer.innerTracker.keyDownHandler = null;
      this.viewer.canvas.tabIndex = -1;
      this.viewer.addHandler("open", () => {
        const size = this.viewer.world.getItemAt(0).getContentSize();
        if (!this.width) [this.width, this.height] = [size.x, size.y];
        this.resized();
        root.dataset.ready = "yes";
      });
      this.viewer.addHandler("open-failed", () => { this.note.textContent = "No picture to show."; });
      this.viewer.addHandler("resize", () => queueMicrotask(() => this.resized())); // after the library's own zoom
      for (const event of ["zoom", "pan", "rotate"]) this.viewer.addHandler(event, () => this.changed());
      this.viewer.addHandler("update-viewport", () => this.smooth());
      this.viewer.addHandler("canvas-double-click", (event) => {
        this.group.zoomTo(this, this.ratio() < 0.99 ? 1 : this.ratio() < 1.99 ? 2 : 0, this.viewer.viewport.pointFromPixel(event.position));
      });
    }

    // Screen pixels for one pixel of the original.
    ratio() { return this.viewer.viewport.getZoom(true) * this.viewer.viewport.getContainerSize().x * density() / (this.width || 1); }
    zoomFor(ratio) { return ratio * this.width / (this.viewer.viewport.getContainerSize().x * density()); }
    limit() { this.viewer.viewport.maxZoomLevel = Math.max(this.viewer.viewport.getHomeZoom(), this.zoomFor(LARGEST)); }

    changed() {
      if (!this.viewer.world.getItemCount()) return;
      const ratio = this.ratio();
      if (this.size && this.size.equals(this.viewer.viewport.getContainerSize())) this.isWhole = this.viewer.viewport.getZoom() < this.viewer.viewport.getHomeZoom() * 1.005;
      this.root.dataset.pixels = ratio.toFixed(3);
      this.root.dataset.scale = (this.viewer.viewport.getZoom() / this.viewer.viewport.getHomeZoom()).toFixed(3);
      this.root.dataset.turn = String(((Math.round(this.viewer.viewport.getRotation()) % 360) + 360) % 360);
      const shown = PREVIEW * this.width / Math.max(this.width, this.height, 1);
      if (ratio > 0.98 || this.width * ratio > shown * 1.02) this.sharpen();
      this.group.follow(this);
    }

    // A photo that was shown whole stays whole when the window changes.
    resized() {
      this.size = this.viewer.viewport.getContainerSize();
      this.limit();
      if (this.isWhole !== false) this.viewer.viewport.goHome(true);
      this.changed();
    }

    sharpen() {
      this.loading = this.loading || this.load();
      return this.loading;
    }

    async load() {
      this.note.textContent = "Loading the full size …";
      const data = await tilesOf(this.sha, (words) => { this.note.textContent = words; }).catch(() => ({ message: "The board does not answer." }));
      this.note.textContent = data.message ? data.message : "";
      if (data.message) { this.root.dataset.sharp = "no"; return; }
      [this.width, this.height, this.known] = [data.width, data.height, true];
      this.limit();
      this.viewer.addTiledImage({
        tileSource: tileSource(this.sha, data), x: 0, y: 0, width: 1,
        success: ({ item }) => {
          this.tiles = item;
          item.addHandler("fully-loaded-change", () => { this.smooth(); this.viewer.forceRedraw(); });
          this.changed();
        },
      });
    }

    // Beyond 1:1 each pixel of the original is a square, never a blur; smooth only while the tiles are on their way.
    smooth() {
      const whole = Boolean(this.tiles && this.tiles.getFullyLoaded());
      this.root.dataset.sharp = whole ? "yes" : this.root.dataset.sharp || "";
      this.viewer.drawer.setImageSmoothingEnabled(!(whole && this.ratio() > 0.995));
    }

    // Follows the pointer, or stays where the keys put it: `at` is in pixels of the stage.
    async magnify(at) {
      if (!this.loupe) {
        this.frame = made("div", "stage-loupe");
        this.root.append(this.frame);
        this.loupe = viewerIn(this.frame, this.sha, { mouseNavEnabled: false, visibilityRatio: 0, constrainDuringPan: false, minZoomImageRatio: 0, gestureSettingsMouse: { scrollToZoom: false, clickToZoom: false } });
        this.loupe.drawer.setImageSmoothingEnabled(false);
        this.loupe.addHandler("open", () => this.aim());
        const data = await tilesOf(this.sha, () => {}).catch(() => ({ message: "x" }));
        if (!data.message) {
          [this.width, this.height] = [data.width, data.height];
          this.loupe.addTiledImage({ tileSource: tileSource(this.sha, data), x: 0, y: 0, width: 1, success: () => this.aim() });
        }
      }
      this.frame.hidden = false;
      this.spot = at || this.spot || new OpenSeadragon.Point(this.view.clientWidth / 2, this.view.clientHeight / 2);
      this.aim();
    }

    aim() {
      if (!this.loupe || this.frame.hidden || !this.loupe.world.getItemCount()) return;
      const half = this.frame.offsetWidth / 2;
      this.spot.x = Math.max(0, Math.min(this.view.clientWidth, this.spot.x));
      this.spot.y = Math.max(0, Math.min(this.view.clientHeight, this.spot.y));
      this.frame.style.left = `${this.spot.x - half}px`;
      this.frame.style.top = `${this.spot.y - half}px`;
      const port = this.loupe.viewport;
      port.setRotation(this.viewer.viewport.getRotation(), true);
      port.maxZoomLevel = 1e6;
      port.zoomTo(2 * this.width / (port.getContainerSize().x * density()), null, true);
      port.panTo(this.viewer.viewport.pointFromPixel(this.spot), true);
      this.loupe.drawer.canvas.style.filter = this.group.filter();
    }
  }

  class Group {
    constructor(name) {
      this.name = name;
      this.stages = [];
      this.light = { ...LIGHT };
      this.following = false;
      this.magnifying = false;
    }

    get first() { return this.stages[0]; }

    follow(leader) {
      if (this.magnifying) for (const stage of this.stages) stage.aim();
      this.tell(leader);
      if (this.following) return;
      this.following = true;
      const port = leader.viewer.viewport;
      for (const stage of this.stages) {
        if (stage === leader || !stage.viewer.world.getItemCount()) continue;
        const other = stage.viewer.viewport;
        other.setRotation(port.getRotation(), true);
        other.zoomTo(port.getZoom() / port.getHomeZoom() * other.getHomeZoom(), null, true);
        const [from, to] = [port.getHomeBounds(), other.getHomeBounds()];
        const at = port.getCenter();
        other.panTo(new OpenSeadragon.Point((at.x - from.x) / from.width * to.width + to.x, (at.y - from.y) / from.height * to.height + to.y), true);
      }
      this.following = false;
    }

    tell(stage) {
      if (this.size) this.size.textContent = `${Math.round(stage.ratio() * 100)}\u00a0%`;
    }

    zoomBy(factor) {
      const port = this.first.viewer.viewport;
      port.zoomBy(factor, null, true).applyConstraints(true);
    }

    // `ratio` 0 is the whole photo.
    async zoomTo(stage, ratio, at) {
      if (ratio && !stage.known) await stage.sharpen();
      const port = stage.viewer.viewport;
      if (!ratio) port.goHome(true);
      else port.zoomTo(stage.zoomFor(ratio), at || null, true).applyConstraints(true);
      stage.changed();
    }

    turn(degrees) {
      const port = this.first.viewer.viewport;
      port.setRotation(port.getRotation() + degrees, true);
      port.goHome(true);
      this.first.changed();
    }

    pan(x, y) {
      if (this.magnifying) {
        for (const stage of this.stages) if (stage.spot) { stage.spot.x += x * 40; stage.spot.y += y * 40; stage.aim(); }
        return;
      }
      const port = this.first.viewer.viewport;
      const size = port.getContainerSize();
      port.panBy(port.deltaPointsFromPixels(new OpenSeadragon.Point(x * size.x * 0.2, y * size.y * 0.2)), true).applyConstraints(true);
    }

    whole() {
      this.light = { ...LIGHT };
      this.shine();
      this.first.viewer.viewport.setRotation(0, true);
      this.zoomTo(this.first, 0);
    }

    filter() { return `brightness(${this.light.brightness}) contrast(${this.light.contrast})`; }

    shine() {
      for (const stage of this.stages) {
        stage.viewer.drawer.canvas.style.filter = this.filter();
        stage.root.dataset.light = `${this.light.brightness} ${this.light.contrast}`;
        stage.aim();
      }
      for (const what of ["brightness", "contrast"]) if (this.sliders) this.sliders[what].value = String(this.light[what]);
    }

    adjust(what, factor) {
      this.light[what] = Number(Math.max(LIMITS[0], Math.min(LIMITS[1], this.light[what] * factor)).toFixed(3));
      this.shine();
    }

    loupe() {
      this.magnifying = !this.magnifying;
      for (const stage of this.stages) {
        if (this.magnifying) stage.magnify();
        else if (stage.frame) stage.frame.hidden = true;
      }
    }

    fill() {
      const around = this.first.root.closest(".stage-set") || this.first.root;
      if (document.fullscreenElement) document.exitFullscreen();
      else if (around.requestFullscreen) around.requestFullscreen().catch(() => around.classList.toggle("filling"));
      else around.classList.toggle("filling");
    }
  }

  // --- the row of buttons ---

  function bar(group) {
    const tools = made("div", "stage-tools");
    tools.setAttribute("role", "group");
    tools.setAttribute("aria-label", "View");
    const button = (key, words, work) => {
      const one = made("button", "");
      one.type = "button";
      if (key) one.append(made("kbd", "", key));
      one.append(words);
      one.addEventListener("click", work);
      tools.append(one);
    };
    button("−", "out", () => group.zoomBy(1 / 1.35));
    button("+", "in", () => group.zoomBy(1.35));
    button("0", "whole", () => group.whole());
    button("v", "1:1", () => group.zoomTo(group.first, 1));
    button("V", "2:1", () => group.zoomTo(group.first, 2));
    button("[", "left", () => group.turn(-90));
    button("]", "right", () => group.turn(90));
    button("g", "loupe", () => group.loupe());
    button("F", "full screen", () => group.fill());
    group.sliders = {};
    for (const [what, key] of [["brightness", "i"], ["contrast", "k"]]) {
      const label = made("label", "");
      const slider = document.createElement("input");
      Object.assign(slider, { type: "range", min: String(LIMITS[0]), max: String(LIMITS[1]), step: "0.05", value: "1" });
      slider.addEventListener("input", () => { group.light[what] = Number(slider.value); group.shine(); });
      label.append(made("kbd", "", key), what, slider);
      group.sliders[what] = slider;
      tools.append(label);
    }
    group.size = made("output", "stage-size");
    group.size.title = "screen pixels for 100 pixels of the original";
    tools.append(group.size, made("span", "stage-hint", "The view changes, never the photo."));
    return tools;
  }

  // --- start ---

  const groups = new Map();
  for (const root of document.querySelectorAll(".stage[data-photo]")) {
    const name = root.dataset.link || root.dataset.photo;
    if (!groups.has(name)) groups.set(name, new Group(name));
    groups.get(name).stages.push(new Stage(root, groups.get(name)));
  }
  if (!groups.size) return;
  for (const group of groups.values()) {
    const place = [...document.querySelectorAll(".stage-bar")].find((one) => !one.dataset.link || one.dataset.link === group.name);
    if (place) place.replaceChildren(bar(group));
    else group.first.root.append(bar(group));
    for (const stage of group.stages) {
      stage.view.addEventListener("pointermove", (event) => {
        if (!group.magnifying) return;
        const box = stage.view.getBoundingClientRect();
        const at = new OpenSeadragon.Point(event.clientX - box.left, event.clientY - box.top);
        for (const one of group.stages) one.magnify(at.clone());
      });
    }
  }

  // The keys move the stages that have the focus, or the first ones.
  const here = () => {
    const focused = document.activeElement && document.activeElement.closest(".stage, .stage-set");
    for (const group of groups.values()) {
      if (focused && group.stages.some((stage) => stage.root === focused || focused.contains(stage.root))) return group;
    }
    return groups.values().next().value;
  };
  Board.on("zoom", (event) => here().zoomBy(event.key === "-" ? 1 / 1.35 : 1.35));
  Board.on("whole", () => here().whole());
  Board.on("one-to-one", () => here().zoomTo(here().first, 1));
  Board.on("two-to-one", () => here().zoomTo(here().first, 2));
  Board.on("turn", (event) => here().turn(event.key === "[" ? -90 : 90));
  Board.on("loupe", () => here().loupe());
  Board.on("brightness", (event) => here().adjust("brightness", event.key === "i" ? 1.15 : 1 / 1.15));
  Board.on("contrast", (event) => here().adjust("contrast", event.key === "k" ? 1.15 : 1 / 1.15));
  Board.on("full-screen", () => here().fill());
  const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  document.addEventListener("keydown", (event) => {
    if (!event.shiftKey || event.ctrlKey || event.metaKey || event.altKey || !(event.key in steps)) return;
    if (event.target.closest("input:not([type=checkbox]), textarea, select, .grid")) return;
    here().pan(...steps[event.key]);
    event.preventDefault();
  });
})();
