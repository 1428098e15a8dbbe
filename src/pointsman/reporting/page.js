// Draws what is in view: reads the columns, fills bokeh's sources, and tells what the pointer is on.
//
// All values stay here. Where a lane has more values in view than fit side by side, what is drawn
// is the band between the lowest and the highest of every two pixels: so a drawing costs no more
// than the page is wide, and no extreme is lost. Only rows that are on the screen are drawn.
(async function () {
  "use strict";
  const read = (id) => document.getElementById(id).textContent;
  const model = JSON.parse(read("model"));
  const bytes = await inflate(read("columns"));
  const LET_GO = 1, STOLEN = 2;
  const MANY_NOTES = 3000, MANY_MARKS = 400;
  const NEAR = 300; // pixels: how far beyond the screen a row is drawn
  const HOME = 2;
  const WHY = ["still sounds at the end", "", "stolen: a newer note needed its voice",
    "ended early by the rig", "ended by the engine: at Stop, at the end, or since it was too long", "struck again", "silenced"];

  // ---- the columns -------------------------------------------------------------------------------

  async function inflate(text) {
    const packed = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }

  function column(where) {
    const { at, n, w, s } = where;
    const numbers = w > 3 || s ? new Float64Array(n) : new Uint32Array(n);
    for (let plane = 0, unit = 1; plane < w; plane++, unit *= 256)
      for (let i = 0, from = at + plane * n; i < n; i++) numbers[i] += bytes[from + i] * unit;
    if (s) for (let i = 1; i < n; i++) numbers[i] += numbers[i - 1];
    return numbers;
  }

  for (const row of model.rows) {
    for (const key in row.notes) row.notes[key] = column(row.notes[key]);
    for (const track of row.tracks)
      for (const key of ["times", "values", "traces", "flags"]) track[key] = column(track[key]);
  }
  const input = model.rows[model.rows.length - 1];

  // ---- looking things up -------------------------------------------------------------------------

  function after(times, t) { // the place of the first value later than t
    let low = 0, high = times.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (times[middle] <= t) low = middle + 1; else high = middle;
    }
    return low;
  }

  const noteY = (row, note) => row.top + (row.high - note) * row.step;

  function valueY(band, track, value) {
    const part = track.high > track.low ? (value - track.low) / (track.high - track.low) : 0.5;
    return band.bottom - 2 - Math.min(1, Math.max(0, part)) * (band.bottom - band.top - 4);
  }

  // ---- drawing -----------------------------------------------------------------------------------

  function pushNotes(into, row, notes, view, channels, inset, rest) {
    const taken = new Map(); // how far each key is drawn already, where notes are closer than pixels
    const dense = notesInView(notes, view) > MANY_NOTES ? 3 * view.pixel : 0;
    const count = after(notes.begins, view.end);
    for (let i = 0; i < count; i++) {
      let begin = notes.begins[i], end = begin + notes.lengths[i];
      if (rest) { begin = end; end += notes.rests[i]; if (end - begin <= dense) continue; }
      if (end < view.begin) continue;
      const key = notes.keys[i];
      if (channels && !channels.includes(key >> 7)) continue;
      if (dense) {
        const last = taken.get(key);
        if (last !== undefined && end < into.right[last] * 1000 + dense) continue;
        if (last !== undefined && begin < into.right[last] * 1000 + dense) {
          into.right[last] = end / 1000;
          continue;
        }
        taken.set(key, into.left.length);
      }
      const y = noteY(row, key & 127);
      into.left.push(begin / 1000);
      into.right.push(Math.max(end, begin + (dense || 1)) / 1000);
      into.top.push(y + inset);
      into.bottom.push(y + row.step - inset);
    }
  }

  function notesInView(notes, view) { // about how many: those that begin there
    return after(notes.begins, view.end) - after(notes.begins, view.begin);
  }

  function pushEnds(into, row, band, view, wanted) {
    const notes = row.notes, found = [];
    for (let i = 0, count = after(notes.begins, view.end); i < count; i++) {
      if (!wanted(notes.kinds[i], notes.rests[i])) continue;
      const t = notes.begins[i] + notes.lengths[i];
      if (t >= view.begin && t <= view.end) found.push([t, notes.keys[i] & 127]);
    }
    if (found.length <= MANY_MARKS) {
      for (const [t, note] of found) {
        into.x.push(t / 1000);
        into.y.push(noteY(row, note) + row.step / 2);
      }
      return;
    }
    const columns = new Set(); // too many to stand where they belong: in a line below the notes
    for (const [t] of found) columns.add(Math.floor(t / (14 * view.pixel)));
    for (const column of columns) {
      into.x.push((column + 0.5) * 14 * view.pixel / 1000);
      into.y.push(band.bottom + 3);
    }
  }

  function pushLane(lines, bands, band, scale, track, view) {
    const { times, values } = track;
    const from = Math.max(0, after(times, view.begin) - 1), to = after(times, view.end);
    if (to - from > view.width) pushBand(bands, band, scale, track, view, from, to);
    else if (to > from) pushLine(lines, band, scale, track, view, from, to);
  }

  function pushLine(into, band, scale, track, view, from, to) {
    let y = null;
    for (let place = from; place < to; place++) {
      const x = Math.max(track.times[place], view.begin) / 1000;
      if (y !== null) { into.x.push(x); into.y.push(y); }
      y = valueY(band, scale, track.values[place]);
      into.x.push(x);
      into.y.push(y);
    }
    into.x.push(Math.min(model.end, view.end) / 1000, NaN);
    into.y.push(y, NaN);
  }

  function pushBand(into, band, scale, track, view, from, to) {
    const { times, values } = track, size = 2 * view.pixel;
    const x = [], tops = [], bottoms = [];
    const point = (t, low, high) => {
      x.push(Math.min(Math.max(t, view.begin), view.end) / 1000);
      tops.push(valueY(band, scale, high) - 0.8);
      bottoms.push(valueY(band, scale, low) + 0.8);
    };
    let value = values[from], i = from, drawn = times[from];
    while (i < to) {
      const bin = Math.floor(times[i] / size);
      let low = value, high = value; // what it was when these two pixels began counts as well
      if (bin * size > drawn) { point(drawn, value, value); point(bin * size, value, value); }
      for (; i < to && Math.floor(times[i] / size) === bin; i++) {
        value = values[i];
        if (value < low) low = value;
        if (value > high) high = value;
      }
      point(bin * size, low, high);
      drawn = (bin + 1) * size;
      point(drawn, low, high);
    }
    point(drawn, value, value);
    point(Math.min(model.end, view.end), value, value);
    into.xs.push(x.concat(x.slice().reverse()));
    into.ys.push(tops.concat(bottoms.reverse()));
  }

  function pushHomes(into, band, track, view) {
    let last = -Infinity;
    for (let i = after(track.times, view.begin - 1); i < track.times.length; i++) {
      const t = track.times[i];
      if (t > view.end) break;
      if (!(track.flags[i] & HOME) || t - last < 11 * view.pixel) continue;
      last = t;
      into.x.push(t / 1000);
      into.y.push(valueY(band, track, track.values[i]));
    }
  }

  function pushTicks(into, band, track, view) {
    let last = -Infinity;
    for (let i = after(track.times, view.begin - 1); i < track.times.length; i++) {
      const t = track.times[i];
      if (t > view.end) break;
      if (t - last < view.pixel) continue;
      last = t;
      into.x0.push(t / 1000); into.x1.push(t / 1000);
      into.y0.push(band.top + 1); into.y1.push(band.bottom - 1);
    }
  }

  function level(into, y) {
    into.x0.push(0); into.x1.push(model.end / 1000); into.y0.push(y); into.y1.push(y);
  }

  function bars(row, grid, text, view) {
    let last = -Infinity;
    for (const [t, number] of model.bars) {
      if (t < view.begin - 1 || t > view.end || t - last < 24 * view.pixel) continue;
      last = t;
      grid.x0.push(t / 1000); grid.x1.push(t / 1000);
      grid.y0.push(2); grid.y1.push(row.height);
      text.x.push(t / 1000); text.y.push(9); text.text.push(String(number));
    }
  }

  const four = () => ({ left: [], right: [], top: [], bottom: [] });
  const ends = () => ({ x0: [], y0: [], x1: [], y1: [] });
  const spots = () => ({ x: [], y: [] });

  function contents(row, view) {
    const found = {
      before: four(), after: four(), rest: four(), grid: ends(), homes: ends(), ticks: ends(),
      "before-lines": spots(), "after-lines": spots(), "before-bands": { xs: [], ys: [] },
      "after-bands": { xs: [], ys: [] }, home: spots(), stolen: spots(),
      ended: spots(), start: spots(), stop: spots(), bars: { ...spots(), text: [] },
    };
    bars(row, found.grid, found.bars, view);
    for (const [t, what] of model.changes)
      if (what !== "position") {
        const into = what === "stop" ? found.stop : found.start;
        into.x.push(t / 1000); into.y.push(9);
      }
    for (const band of row.bands) {
      if (band.track === null) {
        if (row === input) {
          pushNotes(found.before, row, input.notes, view, null, 1);
        } else {
          pushNotes(found.before, row, input.notes, view, row.sources, 0.75);
          pushNotes(found.after, row, row.notes, view, null, row.step > 6 ? 2 : 1);
          pushNotes(found.rest, row, row.notes, view, null, row.step > 6 ? 2 : 1, true);
          pushEnds(found.stolen, row, band, view, (kind) => kind === STOLEN);
          pushEnds(found.ended, row, band, view, (kind, rest) => kind > STOLEN && (rest > 0 || kind === 4));
        }
        continue;
      }
      const track = row.tracks[band.track];
      if (track.kind === "other") { pushTicks(found.ticks, band, track, view); continue; }
      if (track.home !== null) level(found.homes, valueY(band, track, track.home));
      const befores = track.before.map((number) => input.tracks[number]);
      if (track.kind === "clock" && row !== input)
        befores.push(input.tracks.find((other) => other.kind === "clock"));
      for (const before of befores)
        pushLane(found["before-lines"], found["before-bands"], band, like(track, before), before, view);
      const own = row === input ? "before" : "after";
      pushLane(found[own + "-lines"], found[own + "-bands"], band, track, track, view);
      pushHomes(found.home, band, track, view);
    }
    return found;
  }

  function like(track, before) { // the scale on which a lane of the input is laid over another
    return track.kind === before.kind && track.kind !== "control" ? track : before;
  }

  // ---- the page ----------------------------------------------------------------------------------

  const places = model.rows.map((_, number) => document.getElementById(`row${number}`));
  const pageWidth = () => Math.max(50, places[0].clientWidth - model.left - model.right);

  // A finger scrolls the page, and moves the drawing by the buttons; a mouse may drag it.
  const byFinger = matchMedia("(pointer: coarse)").matches;

  // The sources are filled before bokeh sees them, so that everything is drawn once only.
  const narrow = places[0].clientWidth < 600 && model.bars.length > 2;
  const whole = model.end / 1000;
  const first = { begin: -0.01 * whole, end: narrow ? model.bars[2][0] / 1000 : 1.01 * whole };
  const isNear = (place) => {
    const { top, bottom } = place.getBoundingClientRect();
    return bottom > -NEAR && top < innerHeight + NEAR;
  };
  model.rows.forEach((row, number) => {
    row.near = isNear(places[number]);
    row.drawn = row.near ? `${first.begin} ${first.end} ${pageWidth()}` : "";
    if (row.near) row.contents = contents(row, viewOf(first.begin * 1000, first.end * 1000));
  });
  (function fill(part) {
    if (!part || typeof part !== "object") return;
    const named = part.attributes && part.attributes.name;
    if (named === "times") Object.assign(part.attributes, { start: first.begin, end: first.end });
    if (byFinger && part.name === "PanTool") part.attributes.active = false;
    if (byFinger && part.name === "Toolbar") part.attributes.active_drag = null;
    const found = typeof named === "string" && /^row(\d+)-([a-z-]+)$/.exec(named);
    if (found && part.name === "ColumnDataSource") {
      const { contents } = model.rows[found[1]];
      if (contents)
        part.attributes.data = { type: "map", entries: Object.entries(contents[found[2]]) };
      return;
    }
    for (const inner of Object.values(part)) fill(inner);
  })(model.docs);
  await Bokeh.embed.embed_items(model.docs, model.items);
  const doc = Bokeh.documents[Bokeh.documents.length - 1];
  const named = (name) => doc.get_model_by_name(name);
  const times = named("times");
  const house = (size) => {
    const path = new Path2D(), r = size;
    path.moveTo(0, -r); path.lineTo(r, 0); path.lineTo(0.66 * r, 0); path.lineTo(0.66 * r, 0.8 * r);
    path.lineTo(-0.66 * r, 0.8 * r); path.lineTo(-0.66 * r, 0); path.lineTo(-r, 0);
    path.closePath();
    return path;
  };
  model.rows.forEach((row, number) => {
    const marks = named(`row${number}-home-marks`);
    if (marks) marks.glyph.defs = { "@house": (_, { r }) => house(r) };
    if (marks) marks.glyph.marker = { value: "@house" };
  });

  function viewOf(begin, end) { // microseconds
    const width = pageWidth();
    return { begin, end, width, pixel: (end - begin) / width };
  }
  const view = () => viewOf(times.start * 1000, times.end * 1000);

  let asked = false;
  function draw() {
    asked = false;
    const now = view(), what = `${times.start} ${times.end} ${now.width}`;
    model.rows.forEach((row, number) => {
      if (!row.near || row.drawn === what) return;
      row.drawn = what;
      for (const [name, data] of Object.entries(contents(row, now))) {
        const source = named(`row${number}-${name}`);
        if (source) source.data = data;
      }
    });
  }
  function ask() {
    if (!asked) { asked = true; requestAnimationFrame(draw); }
  }

  function show(begin, end) { // milliseconds
    const length = Math.min(Math.max(end - begin, 5), whole * 1.04);
    begin = Math.max(-0.01 * length, Math.min(begin, 1.01 * whole - length));
    times.setv({ start: begin, end: begin + length });
  }
  const zoom = (factor) => {
    const middle = (times.start + times.end) / 2, half = (times.end - times.start) * factor / 2;
    show(middle - half, middle + half);
  };
  const move = (part) => {
    const step = (times.end - times.start) * part;
    show(times.start + step, times.end + step);
  };
  const all = () => times.setv({ start: -0.01 * whole, end: 1.01 * whole });
  const doing = { in: () => zoom(0.5), out: () => zoom(2), left: () => move(-0.5), right: () => move(0.5), all };
  for (const button of document.querySelectorAll("[data-do]"))
    button.addEventListener("click", () => doing[button.dataset.do]());

  times.change.connect(ask);
  const watcher = new IntersectionObserver((changes) => {
    for (const { target, isIntersecting } of changes)
      model.rows[places.indexOf(target)].near = isIntersecting;
    ask();
  }, { rootMargin: `${NEAR}px` });
  places.forEach((place) => watcher.observe(place));
  addEventListener("beforeprint", () => {
    for (const row of model.rows) row.near = true;
    draw();
  });
  let drawnWidth = pageWidth();
  new ResizeObserver(() => {
    if (pageWidth() !== drawnWidth) { drawnWidth = pageWidth(); ask(); }
  }).observe(places[0]);

  // ---- what the pointer is on --------------------------------------------------------------------

  const told = document.getElementById("told");
  const cursor = document.createElement("div");
  cursor.className = "line";

  function clockText(t) {
    const ms = Math.round(t / 1000);
    const two = (number, digits) => String(number).padStart(digits, "0");
    const hours = Math.floor(ms / 3600000), rest = `${two(Math.floor(ms / 1000) % 60, 2)}.${two(ms % 1000, 3)}`;
    const minutes = Math.floor(ms / 60000) % 60;
    return hours ? `${hours}:${two(minutes, 2)}:${rest}` : `${minutes}:${rest}`;
  }

  function when(t) {
    let low = 0, high = model.bars.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (model.bars[middle][0] <= t) low = middle + 1; else high = middle;
    }
    return low ? `${clockText(t)}, bar ${model.bars[low - 1][1]}` : clockText(t);
  }

  const made = (trace) => model.traces[trace].map((line) => ["rig", line]);

  function noteText(key) {
    return `${model.notes[key & 127]}`;
  }

  function tellNote(row, i) {
    const notes = row.notes, key = notes.keys[i];
    const begin = notes.begins[i], end = begin + notes.lengths[i];
    const lines = [["", `note ${noteText(key)} ${notes.velocities[i]} channel ${(key >> 7) + 1}`],
      ["", `${when(begin)}, until ${clockText(end)}`]];
    if (row === input) return lines;
    lines.push(...made(notes.ons[i]));
    const why = WHY[notes.kinds[i]];
    if (why) lines.push(["", why + (notes.rests[i] ? `; the input held it until ${clockText(end + notes.rests[i])}` : "")]);
    if (notes.kinds[i] > LET_GO) lines.push(...made(notes.offs[i]));
    return lines;
  }

  function valueText(track, value) {
    if (track.kind === "other") return track.texts[value];
    if (track.kind === "clock" || track.kind === "load") return track.words[0] + value / 10 + track.words[1];
    return track.words[0] + (value + track.offset) + track.words[1];
  }

  function tellValue(row, track, i) {
    const lines = [["", valueText(track, track.values[i])], ["", when(track.times[i])]];
    if (track.flags[i] & HOME) lines.push(["", "put home"]);
    if (track.kind === "clock" || track.kind === "load" || track.kind === "voices" || row === input) return lines;
    lines.push(...made(track.traces[i]));
    for (const number of track.before) {
      const before = input.tracks[number], place = after(before.times, track.times[i]) - 1;
      if (place >= 0) lines.push(["", `came in last: ${valueText(before, before.values[place])}`]);
    }
    return lines;
  }

  function findNote(row, t, y, reach) {
    const note = row.high - Math.floor((y - row.top) / row.step);
    const look = (notes, channels, held) => {
      for (let i = after(notes.begins, t + reach) - 1; i >= 0; i--) {
        const key = notes.keys[i];
        if ((key & 127) !== note || (channels && !channels.includes(key >> 7))) continue;
        const end = notes.begins[i] + notes.lengths[i];
        if (t <= end + reach || (held && t <= end + notes.rests[i])) return i;
        if (i < after(notes.begins, t) - 20000) break;
      }
      return -1;
    };
    const own = look(row.notes, null, true);
    if (own >= 0) return tellNote(row, own);
    const other = row === input ? -1 : look(input.notes, row.sources, false);
    if (other < 0) return null;
    const lines = tellNote(input, other);
    lines.push(["", "came in; here it is not as it came"]);
    return lines;
  }

  function findValue(row, track, t, reach) {
    let place = after(track.times, t) - 1;
    for (let i = Math.max(0, place - 40); i < Math.min(track.times.length, place + 40); i++) // a mark near by goes first
      if (track.flags[i] & HOME && Math.abs(track.times[i] - t) <= reach) return tellValue(row, track, i);
    if (place + 1 < track.times.length && track.times[place + 1] - t <= reach / 2) place++;
    return place < 0 ? null : tellValue(row, track, place);
  }

  function tell(row, element, event) {
    const box = element.getBoundingClientRect(), now = view();
    const x = event.clientX - box.left - model.left, y = event.clientY - box.top;
    const t = now.begin + x * now.pixel;
    const band = row.bands.find((one) => y >= one.top - 20 && y <= one.bottom);
    let lines = null;
    if (band && x >= 0 && x <= now.width)
      lines = band.track === null ? findNote(row, t, y, 4 * now.pixel)
        : findValue(row, row.tracks[band.track], t, 8 * now.pixel);
    if (x >= 0 && x <= now.width) {
      cursor.style.cssText = `left:${event.clientX - box.left}px;top:0;height:${row.height}px`;
      element.append(cursor);
    }
    say(lines, event.clientX, event.clientY);
  }

  function say(lines, x, y) {
    told.hidden = !lines;
    if (!lines) return;
    told.replaceChildren(...lines.map(([kind, text]) => {
      const line = document.createElement("div");
      line.className = kind;
      line.textContent = text;
      return line;
    }));
    const width = told.offsetWidth, height = told.offsetHeight;
    told.style.left = `${Math.max(4, Math.min(x + 14, innerWidth - width - 6))}px`;
    told.style.top = `${y + 18 + height > innerHeight ? Math.max(4, y - height - 12) : y + 18}px`;
  }

  function silent() {
    say(null);
    cursor.remove();
  }

  document.addEventListener("pointerdown", (event) => {
    if (!places.some((place) => place.contains(event.target))) silent();
  });
  model.rows.forEach((row, number) => {
    const element = places[number];
    element.addEventListener("pointermove", (event) => tell(row, element, event));
    element.addEventListener("pointerdown", (event) => tell(row, element, event));
    element.addEventListener("pointerleave", (event) => {
      if (event.pointerType !== "touch") silent(); // what a finger has tapped stays to be read
    });
  });
  document.addEventListener("keydown", (event) => {
    const what = { "+": "in", "-": "out", ArrowLeft: "left", ArrowRight: "right", 0: "all" }[event.key];
    if (what && !event.ctrlKey && !event.metaKey && !event.altKey) doing[what]();
    if (event.key === "Escape") silent();
  });
  document.documentElement.dataset.drawn = String(Math.round(performance.now()));
})();
