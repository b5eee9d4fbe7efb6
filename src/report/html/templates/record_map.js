"use strict";
// The map of the records: they are painted one by one into a bitmap, which is only shifted while the map is moved; outlines
// are drawn over it.
(async () => {
  const NONE = 65535;
  const root = document.getElementById("record-map");
  const canvas = root.querySelector("canvas");
  const readout = root.querySelector(".readout");
  const data = JSON.parse(document.getElementById("map-data").textContent);
  const pen = canvas.getContext("2d");
  const painted = document.createElement("canvas"); // the records, as of `shown`
  if (!pen || typeof DecompressionStream === "undefined") return; // the picture of the cleaned yields stays

  const columns = await unpacked(data.records);
  const [x, y, loggedX, loggedY, cleaned, logged, pass, segment, mark] = columns;
  const metres = data.records.metre_step;
  const view = { scale: 1, left: 0, top: 0 }; // px a metre; metres west and north of the canvas's corner
  const shown = { left: 0, top: 0, stale: true, timer: 0 };
  const state = { view: "cleaned", reasons: new Set(), layers: new Set(["strips"]), record: -1, segment: -1 };
  const lookup = packedColours(data.colours);
  const reasonColours = data.marks.map((one) => packed(one.colour));
  const cells = indexed(x, y, 12);

  function packed([red, green, blue]) { return (255 << 24) | (blue << 16) | (green << 8) | red; }
  function packedColours(colours) { return Uint32Array.from(colours, packed); }

  // Columns are stored as differences, low bytes first, then high bytes.
  async function unpacked({ records, columns }) {
    const bytes = Uint8Array.from(atob(columns), (letter) => letter.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    const all = new Uint8Array(await new Response(stream).arrayBuffer());
    const count = all.length / (2 * Math.max(records, 1));
    return Array.from({ length: count }, (_, column) => {
      const values = new Uint16Array(records);
      const low = 2 * column * records;
      let value = 0;
      for (let at = 0; at < records; at++) {
        value = (value + all[low + at] + 256 * all[low + records + at]) & 65535;
        values[at] = value;
      }
      return values;
    });
  }

  // Records by cell, for the one under the pointer.
  function indexed(eastings, northings, cellMetres) {
    const wide = Math.ceil(data.width / cellMetres) + 1;
    const high = Math.ceil(data.height / cellMetres) + 1;
    const cell = (at) => Math.floor((northings[at] * metres) / cellMetres) * wide + Math.floor((eastings[at] * metres) / cellMetres);
    const starts = new Uint32Array(wide * high + 1);
    for (let at = 0; at < eastings.length; at++) if (eastings[at] !== NONE && northings[at] !== NONE) starts[cell(at) + 1]++;
    for (let at = 1; at < starts.length; at++) starts[at] += starts[at - 1];
    const rows = new Uint32Array(starts[starts.length - 1]);
    const next = starts.slice();
    for (let at = 0; at < eastings.length; at++) if (eastings[at] !== NONE && northings[at] !== NONE) rows[next[cell(at)]++] = at;
    return { wide, high, cellMetres, starts, rows };
  }

  function fit() {
    const ratio = window.devicePixelRatio || 1;
    const wide = canvas.clientWidth || root.clientWidth;
    const high = Math.min(Math.max((wide * data.height) / data.width, 220), 0.75 * window.innerHeight + 120);
    canvas.style.height = high + "px";
    canvas.width = Math.round(wide * ratio);
    canvas.height = Math.round(high * ratio);
  }
  function showAll() {
    view.scale = Math.min(canvas.width / data.width, canvas.height / data.height);
    view.left = (data.width - canvas.width / view.scale) / 2;
    view.top = data.height - (data.height - canvas.height / view.scale) / 2;
    draw();
  }
  const toX = (metresEast) => (metresEast - view.left) * view.scale;
  const toY = (metresNorth) => (view.top - metresNorth) * view.scale;

  function paint() {
    painted.width = canvas.width;
    painted.height = canvas.height;
    const brush = painted.getContext("2d");
    const image = brush.createImageData(canvas.width, canvas.height);
    const pixels = new Uint32Array(image.data.buffer);
    const dark = window.matchMedia("(prefers-color-scheme: dark)").matches;
    const grey = packed(dark ? [86, 94, 102] : [196, 199, 196]);
    const [low, high] = data.scale;
    const toShade = (255 * data.records.yield_step) / (high - low);
    const lowest = (255 * low) / (high - low);
    const asLogged = state.view === "logged";
    const [east, north, value] = asLogged ? [loggedX, loggedY, logged] : [x, y, cleaned];
    const side = Math.max(2, Math.min(Math.round(data.stamp_m * view.scale), 60));
    const stamp = (column, row, colour) => {
      if (column === NONE || row === NONE) return;
      const from = Math.round(toX(column * metres) - side / 2);
      const top = Math.round(toY(row * metres) - side / 2);
      if (from + side < 0 || top + side < 0 || from >= canvas.width || top >= canvas.height) return;
      const [firstX, lastX] = [Math.max(from, 0), Math.min(from + side, canvas.width)];
      for (let line = Math.max(top, 0); line < Math.min(top + side, canvas.height); line++) {
        pixels.fill(colour, line * canvas.width + firstX, line * canvas.width + lastX);
      }
    };
    for (let at = 0; at < mark.length; at++) {
      if (mark[at] !== 0 && !asLogged) continue;
      if (state.view === "kept") { stamp(east[at], north[at], grey); continue; }
      if (value[at] === NONE) continue;
      stamp(east[at], north[at], lookup[Math.max(0, Math.min(255, Math.round(value[at] * toShade - lowest)))]);
    }
    if (state.reasons.size > 0) {
      const wanted = data.marks.map((one) => state.reasons.has(one.code));
      for (let at = 0; at < mark.length; at++) {
        if (mark[at] === 0 || !wanted[mark[at] - 1]) continue;
        // one whose ground is not known stands where it was logged
        const known = !asLogged && x[at] !== NONE;
        stamp(known ? x[at] : loggedX[at], known ? y[at] : loggedY[at], reasonColours[mark[at] - 1]);
      }
    }
    brush.putImageData(image, 0, 0);
    Object.assign(shown, { left: view.left, top: view.top, stale: false });
  }

  function outline(rings) {
    pen.beginPath();
    for (const ring of rings) {
      for (let at = 0; at < ring.length; at += 2) pen.lineTo(toX(ring[at] / 10), toY(ring[at + 1] / 10));
      pen.closePath();
    }
  }
  function lines() {
    const ratio = window.devicePixelRatio || 1;
    const ink = getComputedStyle(document.body).color;
    pen.lineWidth = 1.2 * ratio;
    pen.strokeStyle = pen.fillStyle = ink;
    pen.font = `${12 * ratio}px system-ui, sans-serif`;
    if (state.layers.has("soils")) {
      pen.setLineDash([2 * ratio, 4 * ratio]);
      for (const soil of data.soils) { outline(soil.rings); pen.stroke(); }
      for (const soil of data.soils) pen.fillText(soil.name, toX(soil.at[0] / 10), toY(soil.at[1] / 10));
    }
    if (state.layers.has("strips")) {
      for (const strip of data.strips) {
        pen.setLineDash(strip.is_check ? [6 * ratio, 4 * ratio] : []);
        outline(strip.rings);
        pen.stroke();
      }
    }
    pen.setLineDash([]);
    const radius = Math.max(2.5 * ratio, 0.12 * data.segment_m * view.scale);
    const ring = (at) => { const one = data.segments[at]; pen.beginPath(); pen.arc(toX(one.x / 10), toY(one.y / 10), radius, 0, 2 * Math.PI); };
    if (state.layers.has("segments")) {
      data.segments.forEach((one, at) => { ring(at); if (one.usable) pen.stroke(); });
    }
    if (state.segment >= 0) {
      pen.lineWidth = 3 * ratio;
      ring(state.segment);
      pen.stroke();
    }
    if (state.record >= 0) {
      const size = 5 * ratio;
      pen.lineWidth = 2 * ratio;
      pen.strokeRect(toX(x[state.record] * metres) - size, toY(y[state.record] * metres) - size, 2 * size, 2 * size);
    }
  }
  function drawNow() {
    if (shown.stale) paint();
    pen.clearRect(0, 0, canvas.width, canvas.height);
    pen.drawImage(painted, Math.round((shown.left - view.left) * view.scale), Math.round((view.top - shown.top) * view.scale));
    lines();
  }
  let asked = false;
  function drawOver() { // the records as they are, the outlines anew
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => { asked = false; drawNow(); });
  }
  function draw() { shown.stale = true; drawOver(); }

  function nearest(clientX, clientY) {
    const frame = canvas.getBoundingClientRect();
    const east = ((clientX - frame.left) * canvas.width) / frame.width / view.scale + view.left;
    const north = view.top - ((clientY - frame.top) * canvas.height) / frame.height / view.scale;
    const [column, row] = [Math.floor(east / cells.cellMetres), Math.floor(north / cells.cellMetres)];
    let [best, distance] = [-1, cells.cellMetres ** 2];
    for (let line = Math.max(row - 1, 0); line <= Math.min(row + 1, cells.high - 1); line++) {
      for (let place = Math.max(column - 1, 0); place <= Math.min(column + 1, cells.wide - 1); place++) {
        const cell = line * cells.wide + place;
        for (let at = cells.starts[cell]; at < cells.starts[cell + 1]; at++) {
          const record = cells.rows[at];
          const away = (x[record] * metres - east) ** 2 + (y[record] * metres - north) ** 2;
          if (away < distance) [best, distance] = [record, away];
        }
      }
    }
    return best;
  }
  const inWords = (value) => (value === NONE ? "none" : `${(value * data.records.yield_step).toFixed(data.decimals)} ${data.unit}`);
  function tell(record) {
    if (record < 0) { readout.textContent = "Point at a record to read it."; return; }
    const parts = [`Yield after cleaning ${inWords(cleaned[record])}, as logged ${inWords(logged[record])}`];
    parts.push(mark[record] === 0 ? "kept" : `removed: ${data.marks[mark[record] - 1].code} (${data.marks[mark[record] - 1].text})`);
    if (pass[record] !== NONE) parts.push(`pass ${pass[record]}`);
    const of = segment[record] === NONE ? null : data.segments[segment[record]];
    if (of) {
      const strip = data.strips[of.strip];
      parts.push(`${strip.label}, strip ${strip.name}, block ${strip.block}`);
      if (of.class !== null) parts.push(data.classes[of.class]);
      if (of.difference !== null) parts.push(`its segment minus check ${of.difference} ${data.unit}`);
    }
    readout.textContent = parts.join(" · ");
  }
  function pick(record) {
    if (record === state.record) return;
    state.record = record;
    tell(record);
    choose(record >= 0 && segment[record] !== NONE ? segment[record] : -1);
    drawOver();
  }
  function choose(at) {
    if (at === state.segment) return;
    for (const dot of document.querySelectorAll(".stretch.on")) dot.classList.remove("on");
    state.segment = at;
    if (at >= 0) for (const dot of document.querySelectorAll(`.stretch[data-segment="${at}"]`)) dot.classList.add("on");
    drawOver();
  }

  function zoom(factor, clientX, clientY) {
    const frame = canvas.getBoundingClientRect();
    const [px, py] = [((clientX - frame.left) * canvas.width) / frame.width, ((clientY - frame.top) * canvas.height) / frame.height];
    const [east, north] = [px / view.scale + view.left, view.top - py / view.scale];
    const least = 0.5 * Math.min(canvas.width / data.width, canvas.height / data.height);
    view.scale = Math.max(least, Math.min(view.scale * factor, 60));
    view.left = east - px / view.scale;
    view.top = north + py / view.scale;
    draw();
  }
  function zoomAtMiddle(factor) {
    const frame = canvas.getBoundingClientRect();
    zoom(factor, frame.left + frame.width / 2, frame.top + frame.height / 2);
  }
  function move(dx, dy) { // px of the screen
    const ratio = window.devicePixelRatio || 1;
    view.left -= (dx * ratio) / view.scale;
    view.top += (dy * ratio) / view.scale;
    drawOver();
    clearTimeout(shown.timer);
    shown.timer = setTimeout(draw, 120); // what came into view
  }

  canvas.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && document.activeElement !== canvas) return; // the page scrolls until the map is entered
    event.preventDefault();
    zoom(Math.exp(-0.002 * event.deltaY), event.clientX, event.clientY);
  }, { passive: false });
  const fingers = new Map();
  canvas.addEventListener("pointerdown", (event) => {
    fingers.set(event.pointerId, event);
    if (event.isTrusted) canvas.setPointerCapture(event.pointerId);
  });
  canvas.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    if (!before) { pick(nearest(event.clientX, event.clientY)); return; }
    if (fingers.size === 1) move(event.clientX - before.clientX, event.clientY - before.clientY);
    if (fingers.size === 2) {
      const [other] = [...fingers.values()].filter((one) => one.pointerId !== event.pointerId);
      const apart = (one) => Math.hypot(one.clientX - other.clientX, one.clientY - other.clientY);
      if (apart(before) > 0) zoom(apart(event) / apart(before), other.clientX, other.clientY);
    }
    fingers.set(event.pointerId, event);
  });
  for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, (event) => fingers.delete(event.pointerId));
  canvas.addEventListener("pointerleave", () => pick(-1));
  canvas.addEventListener("keydown", (event) => {
    const keys = {
      ArrowLeft: () => move(60, 0), ArrowRight: () => move(-60, 0), ArrowUp: () => move(0, 60), ArrowDown: () => move(0, -60),
      "+": () => zoomAtMiddle(1.4), "-": () => zoomAtMiddle(1 / 1.4), 0: showAll,
    };
    if (keys[event.key]) { event.preventDefault(); keys[event.key](); }
  });
  for (const button of root.querySelectorAll("[data-zoom]")) {
    button.addEventListener("click", () => ({ in: () => zoomAtMiddle(1.6), out: () => zoomAtMiddle(1 / 1.6), all: showAll })[button.dataset.zoom]());
  }
  for (const input of root.querySelectorAll("[name=view]")) input.addEventListener("change", () => { state.view = input.value; draw(); });
  const toggled = (set, input) => { if (input.checked) set.add(input.value); else set.delete(input.value); draw(); };
  for (const input of root.querySelectorAll("[name=layer]")) input.addEventListener("change", () => toggled(state.layers, input));
  for (const input of document.querySelectorAll("[name=reason]")) input.addEventListener("change", () => toggled(state.reasons, input));
  for (const dot of document.querySelectorAll(".stretch")) {
    dot.addEventListener("pointerenter", () => choose(Number(dot.dataset.segment)));
    dot.addEventListener("pointerleave", () => choose(-1));
  }
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);

  for (const part of root.querySelectorAll("[hidden]")) part.hidden = false;
  root.querySelector("img").hidden = true;
  fit();
  showAll();
  new ResizeObserver(() => { if (canvas.clientWidth > 0 && Math.round(canvas.clientWidth * (window.devicePixelRatio || 1)) !== canvas.width) { fit(); showAll(); } }).observe(canvas);
  root.dataset.ready = "yes";
})();
