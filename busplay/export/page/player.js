/* The player: the page's controls, and what they show of the recording.

   Texts of the recording are only ever set as text. A moment is a count of events with the cycle at
   which it is shown; everything that moves goes through `go`. */
const byId = (id) => document.getElementById(id);
const number = (value) => value.toLocaleString("en");
const hex = (value, digits) => "$" + value.toString(16).toUpperCase().padStart(digits, "0");

// Make an element: properties, then children.
function make(tag, properties = {}, ...children) {
  const { label, role, ...rest } = properties;
  const made = Object.assign(document.createElement(tag), rest);
  if (label) made.setAttribute("aria-label", label);
  if (role) made.setAttribute("role", role);
  made.append(...children);
  return made;
}

function table(caption, head, rows) {
  const line = (cells, first) => make("tr", {}, ...cells.map((cell, i) => {
    const scope = first ?? (i ? null : "row");
    return scope ? make("th", { scope }, cell) : make("td", {}, cell);
  }));
  const body = make("tbody", {}, ...rows.map((row) => line(row, null)));
  const made = make("table", {}, make("caption", {}, caption),
    ...(head ? [make("thead", {}, line(head, "col"))] : []), body);
  // Where it is too wide it scrolls, by keys too.
  return make("div", { className: "wide", role: "region", tabIndex: 0, label: caption }, made);
}

class Player {
  constructor(recording) {
    const { facts } = recording;
    Object.assign(this, { recording, facts, cycle: 0, playing: 0, speed: 1, pixel: null });
    byId("about").textContent = [`board ${facts.board}`, facts.program && `program ${facts.program}`,
      `${number(facts.frames)} frames in ${this.timeText(facts.time.end_cycle)}`, facts.cut]
      .filter(Boolean).join(", ");
    this.calm = matchMedia("(prefers-reduced-motion: reduce)").matches || facts.cautions.length > 0;
    if (facts.cautions.length) {
      byId("caution").textContent = `Caution, flashing pictures: ${facts.cautions.join(". ")}. `
        + "So it starts paused. This is no medical test.";
      byId("caution").hidden = false;
    }
    this.makeScreens();
    this.makeControls();
    this.makeTimes();
    this.makeLookup();
    this.makeMore();
    document.addEventListener("keydown", (event) => this.key(event));
    addEventListener("hashchange", () => this.readFragment());
    addEventListener("resize", () => this.fit());
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.fit());
    this.fit();
  }

  timeText(cycle) {
    return `${(cycle / this.facts.time.clock_hz).toFixed(6)} s`;
  }

  // --- moments

  // Show a moment; it is the count of events shown at the cycle, or one that is stepped to.
  go(cycle, moment = null) {
    const { recording, facts } = this;
    this.cycle = Math.max(0, Math.min(Math.round(cycle), facts.time.end_cycle));
    this.stepped = moment !== null && moment !== recording.momentOfCycle(this.cycle);
    recording.goTo(moment ?? recording.momentOfCycle(this.cycle));
    if (this.shown !== recording.moment) this.draw();
    this.showTime();
    if (!this.playing) {
      this.look();
      clearTimeout(this.noting);
      this.noting = setTimeout(() => this.writeFragment(), 200);
    }
  }

  store(steps) {
    this.play(0);
    const { recording } = this;
    const moment = Math.max(0, Math.min(recording.moment + steps, recording.ready));
    this.go(moment ? recording.cycleOfEvent(moment - 1) : 0, moment);
  }

  refresh(steps) {
    this.play(0);
    const { clock_hz: clock, refresh_hz: rate } = this.facts.time;
    const at = (k) => Math.floor((k * clock) / rate);
    let k = Math.floor((this.cycle * rate) / clock);
    while (at(k + 1) <= this.cycle) k++;
    while (at(k) > this.cycle) k--;
    this.go(at(steps > 0 ? k + 1 : at(k) < this.cycle ? k : k - 1));
  }

  play(way) {
    const { end_cycle: end } = this.facts.time;
    if (way > 0 && this.cycle >= end) this.go(0);
    if (way < 0 && this.cycle <= 0) this.go(end);
    const was = this.playing;
    this.playing = way;
    this.buttons.back.setAttribute("aria-pressed", way < 0);
    this.buttons.play.setAttribute("aria-pressed", way > 0);
    this.buttons.play.textContent = way > 0 ? "Pause" : "Play";
    this.buttons.back.textContent = way < 0 ? "Pause" : "Play back";
    if (!way) {
      if (was) this.go(this.cycle);
      return;
    }
    this.place = this.cycle;
    this.last = performance.now();
    if (!was) requestAnimationFrame((now) => this.tick(now));
  }

  tick(now) {
    if (!this.playing) return;
    const passed = Math.max(0, Math.min(now - this.last, 100)) / 1000;
    const { clock_hz: clock, end_cycle: end } = this.facts.time;
    this.last = now;
    this.place += this.playing * this.speed * passed * clock;
    this.go(this.place);
    this.line.follow(this.cycle);
    if (this.playing > 0 ? this.place >= end : this.place <= 0) this.play(0);
    else requestAnimationFrame((next) => this.tick(next));
  }

  // --- the address's fragment: #at=1.5s&unit=panel&pixel=12,40

  writeFragment() {
    const seconds = Number((this.cycle / this.facts.time.clock_hz).toFixed(9));
    const parts = new URLSearchParams({ at: `${seconds}s` });
    if (this.stepped) parts.set("event", this.recording.moment);
    parts.set("unit", this.facts.units[this.unit].name);
    if (this.pixel) parts.set("pixel", this.pixel.join());
    history.replaceState(null, "", "#" + parts.toString().replace("%2C", ","));
  }

  // Returns whether the fragment names a moment.
  readFragment() {
    const parts = new URLSearchParams(location.hash.slice(1));
    const unit = this.facts.units.findIndex((one) => one.name === parts.get("unit"));
    const pixel = /^(\d+),(\d+)$/.exec(parts.get("pixel") ?? "");
    if (unit >= 0) this.unit = unit;
    if (pixel) this.choose(this.unit, Number(pixel[1]), Number(pixel[2]));
    const at = /^(\d+(?:\.\d+)?)(s|ms|us|ns)$/.exec(parts.get("at") ?? "");
    if (!at) return false;
    this.play(0);
    const event = /^\d+$/.test(parts.get("event") ?? "") ? Number(parts.get("event")) : null;
    const seconds = at[1] / { s: 1, ms: 1e3, us: 1e6, ns: 1e9 }[at[2]];
    this.go(seconds * this.facts.time.clock_hz,
      event === null ? null : Math.min(event, this.recording.ready));
    return true;
  }

  // --- screens

  makeScreens() {
    this.unit = 0;
    this.views = this.recording.screens.map((screen, i) => {
      const { unit } = screen, edge = unit.border_px;
      const canvas = make("canvas", {
        width: unit.width_px + 2 * edge, height: unit.height_px + 2 * edge, tabIndex: 0, role: "img",
        label: `Screen of unit ${unit.name}; arrow keys choose a pixel`,
      });
      const marker = make("div", { className: "marker", hidden: true });
      const holder = make("div", { className: "screen" }, canvas, marker);
      byId("screens").append(make("figure", {}, make("figcaption", {}, unit.name), holder));
      canvas.addEventListener("pointerdown", (event) => {
        const [x, y] = [event.offsetX * canvas.width / canvas.clientWidth,
          event.offsetY * canvas.height / canvas.clientHeight];
        this.choose(i, Math.floor(x) - edge, Math.floor(y) - edge);
      });
      canvas.addEventListener("keydown", (event) => {
        const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
        const [right, down] = step[event.key] ?? [];
        if (right === undefined || event.ctrlKey || event.altKey || event.metaKey) return;
        event.preventDefault();
        const [x, y] = (this.unit === i && this.pixel) || [-right, -down];
        this.choose(i, x + right, y + down);
      });
      const pen = canvas.getContext("2d");
      const image = pen.createImageData(canvas.width, canvas.height);
      return { screen, canvas, marker, pen, image, pixels: new Uint32Array(image.data.buffer) };
    });
  }

  draw() {
    this.shown = this.recording.moment;
    for (const { screen, pen, image, pixels } of this.views) {
      screen.draw(pixels);
      pen.putImageData(image, 0, 0);
    }
  }

  // Set each pixel to a whole number of the display's pixels.
  fit() {
    const ratio = devicePixelRatio || 1, wide = byId("screens").clientWidth;
    const most = Math.min(...this.views.map(({ canvas }) => Math.min(
      (wide * ratio) / canvas.width, (innerHeight * 0.7 * ratio) / canvas.height)));
    const scale = Number(this.scale.value) * Math.max(1, Math.round(ratio))
      || Math.max(1, Math.floor(most));
    for (const { canvas } of this.views) {
      canvas.style.width = `${(canvas.width * scale) / ratio}px`;
      canvas.style.height = `${(canvas.height * scale) / ratio}px`;
    }
    this.line.drawn = null;
    this.line.draw(this.cycle);
    this.mark();
  }

  // --- playback

  makeControls() {
    this.buttons = {};
    const button = (name, text, does, label) => {
      this.buttons[name] = make("button", { type: "button", textContent: text, onclick: does, label });
      return this.buttons[name];
    };
    const select = (label, options, chosen, does) => {
      const made = make("select", {}, ...options.map(([value, text]) => make("option", { value }, text)));
      made.value = chosen;
      made.onchange = () => does(made.value);
      return [make("label", {}, `${label} `, made), made];
    };
    const speeds = [1e-6, 1e-5, 1e-4, 0.001, 0.01, 0.1, 0.25, 0.5, 1, 2, 4, 16, 64];
    const [speed, speedList] = select("Speed", speeds.map((value) => [value, `${value} ×`]), 1,
      (value) => { this.speed = Number(value); });
    this.speedList = speedList;
    const scales = [[0, "fit"], ...[1, 2, 3, 4, 5, 6, 8].map((value) => [value, `${value} ×`])];
    const [scale, scaleList] = select("Scale", scales, 0, () => this.fit());
    this.scale = scaleList;
    byId("controls").append(
      button("start", "Start", () => { this.play(0); this.go(0); }),
      button("refreshBack", "− refresh", () => this.refresh(-1), "One refresh back"),
      button("storeBack", "− store", () => this.store(-1), "One store back"),
      button("back", "Play back", () => this.play(this.playing < 0 ? 0 : -1)),
      button("play", "Play", () => this.play(this.playing > 0 ? 0 : 1)),
      button("storeOn", "+ store", () => this.store(1), "One store on"),
      button("refreshOn", "+ refresh", () => this.refresh(1), "One refresh on"),
      button("end", "End", () => { this.play(0); this.go(this.facts.time.end_cycle); }),
      speed, scale,
    );
    byId("controls").hidden = false;
  }

  key(event) {
    const { target } = event;
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    if (target.matches("input:not([type=range]), select, summary, a")) return;
    if (event.key === " " && target.matches("button")) return;
    const does = {
      " ": () => this.play(this.playing ? 0 : 1), b: () => this.play(this.playing < 0 ? 0 : -1),
      ",": () => this.store(-1), ".": () => this.store(1),
      "[": () => this.refresh(-1), "]": () => this.refresh(1),
      "+": () => this.line.zoom(0.5, this.cycle), "-": () => this.line.zoom(2, this.cycle),
    }[event.key];
    if (!does) return;
    event.preventDefault();
    does();
  }

  // --- time

  makeTimes() {
    const { time } = this.facts;
    this.slider = make("input", {
      type: "range", min: 0, max: time.end_cycle, step: Math.max(1, Math.floor(time.end_cycle / 1000)),
      label: "Moment",
      oninput: () => { this.play(0); this.go(Number(this.slider.value)); },
    });
    this.now = make("output");
    const canvas = make("canvas", {
      id: "line", role: "img", label: "Link use, changes, errors, keys and marks",
    });
    const zoom = (text, does) => make("button", { type: "button", textContent: text, onclick: does });
    byId("times").hidden = false;
    byId("times").append(this.slider, this.now, canvas, make("p", {},
      zoom("Zoom in", () => this.line.zoom(0.5, this.cycle)),
      zoom("Zoom out", () => this.line.zoom(2, this.cycle)),
      zoom("All", () => { this.line.all(); this.line.draw(this.cycle); })));
    this.line = new TimeLine(canvas, this.recording, (cycle) => { this.play(0); this.go(cycle); });
    const places = [...this.facts.marks.map(([cycle, note]) => [cycle, note || "mark"]),
      ...this.facts.flashing.map(([start]) => [start * time.clock_hz, "flashing"])];
    if (places.length) {
      byId("times").append(make("ul", { label: "Marks" }, ...places.map(([cycle, note]) => make("li", {},
        make("a", { href: `#at=${cycle / time.clock_hz}s` }, this.timeText(cycle)), ` ${note}`))));
    }
  }

  showTime() {
    const { recording, cycle } = this;
    const text = `${this.timeText(cycle)}, cycle ${number(cycle)}, frame ${number(recording.moment)}, `
      + `${number(recording.errors[recording.moment])} errors so far`;
    this.now.textContent = text;
    this.slider.value = cycle;
    this.slider.setAttribute("aria-valuetext", text);
    this.line.draw(cycle);
  }

  // --- one pixel

  makeLookup() {
    const place = (label) => make("input", { type: "number", min: 0, label, oninput: () => this.typed() });
    [this.atX, this.atY] = [place("Pixel x"), place("Pixel y")];
    this.units = make("select", { label: "Unit", onchange: () => this.typed() },
      ...this.facts.units.map((unit, value) => make("option", { value }, unit.name)));
    this.found = make("div");
    this.found.setAttribute("aria-live", "polite");
    byId("lookup").append(make("h2", {}, "Pixel"), make("p", {}, "Choose one on a screen, or here: ",
      this.units, " x ", this.atX, " y ", this.atY), this.found);
    byId("lookup").hidden = false;
  }

  typed() {
    this.choose(Number(this.units.value), Number(this.atX.value), Number(this.atY.value));
  }

  choose(unit, x, y) {
    const { width_px: width, height_px: height } = this.facts.units[unit];
    this.unit = unit;
    this.pixel = [Math.max(0, Math.min(x, width - 1)), Math.max(0, Math.min(y, height - 1))];
    this.units.value = unit;
    [this.atX.value, this.atY.value] = this.pixel;
    this.mark();
    this.play(0);
    this.go(this.cycle, this.recording.moment);
  }

  mark() {
    this.views.forEach(({ canvas, marker, screen: { unit } }, i) => {
      marker.hidden = !this.pixel || i !== this.unit;
      if (marker.hidden) return;
      const each = canvas.clientWidth / canvas.width;
      marker.style.left = `${(this.pixel[0] + unit.border_px) * each}px`;
      marker.style.top = `${(this.pixel[1] + unit.border_px) * each}px`;
      marker.style.width = marker.style.height = `${each}px`;
    });
  }

  // Say what a pixel is, and what wrote it.
  look() {
    if (!this.pixel) return;
    const { recording, facts } = this, { events } = recording, screen = recording.screens[this.unit];
    const [x, y] = this.pixel, { offset, shift } = screen.place(x, y);
    const byte = screen.memory[offset];
    const index = screen.blank ? screen.border : (byte >> shift) & screen.mask;
    const colour = [...screen.colour(index)].map((part) => part.toString(16).padStart(2, "0")).join("");
    const address = this.address(this.unit, "memory", offset);
    const rows = [
      ["colour", `#${colour}, palette index ${index}${screen.blank ? ", blanked" : ""}`],
      ["byte", `offset ${number(offset)}${address}, value ${hex(byte, 2)} (${byte})`],
    ];
    const event = recording.lastWrite(this.unit, offset);
    this.found.replaceChildren();
    if (event < 0) {
      rows.push(["last write", "none so far"]);
    } else {
      rows.push(["last write", `${hex(events.data[event], 2)} by frame ${number(event + 1)}, at `
        + this.timeText(recording.cycleOfEvent(event))]);
      const [at, label, line] = facts.instructions[recording.instruction(event)] ?? [];
      rows.push(["instruction", at === undefined ? `not known: ${facts.unknown || "still reading"}`
        : [hex(at, 4), label, line].filter(Boolean).join(" ")]);
    }
    this.found.append(table(`${facts.units[this.unit].name}, pixel ${x}, ${y}`, null, rows));
    if (event >= 0) {
      this.found.append(make("button", {
        type: "button", textContent: "Go to this write",
        onclick: () => { this.play(0); this.go(recording.cycleOfEvent(event), event + 1); },
      }));
    }
  }

  // The processor's address of an offset, with its label.
  address(unit, space, offset) {
    const { name } = this.facts.units[unit];
    for (const window of this.facts.windows) {
      const address = window.first_address + offset - window.first_offset;
      if (window.unit !== name || window.space !== space) continue;
      if (address < window.first_address || address > window.last_address) continue;
      const label = window.labels.filter(([at]) => at <= address).pop();
      const more = label && address - label[0];
      return ` = ${hex(address, 4)}` + (label ? ` ${label[1]}${more ? `+${more}` : ""}` : "");
    }
    return "";
  }

  // --- the rest

  makeMore() {
    const { facts } = this;
    const keys = [["Space", "play, pause"], ["b", "play back"], [", and .", "one store back, on"],
      ["[ and ]", "one refresh back, on"], ["+ and -", "zoom the time line"],
      ["arrow keys on a screen", "choose a pixel"]];
    const save = make("button", {
      type: "button", textContent: `Save the trace (${number(facts.trace_bytes)} bytes)`,
      onclick: () => {
        const href = URL.createObjectURL(new Blob([this.recording.trace]));
        make("a", { href, download: facts.file }).click();
        setTimeout(() => URL.revokeObjectURL(href), 60000);
      },
    });
    byId("more").append(make("p", {}, save), make("details", {}, make("summary", {}, "Link and board"),
      ...facts.tables.map((one) => table(...one))),
    make("details", {}, make("summary", {}, "Keys"), table("Keys of this page", null, keys)));
    byId("more").hidden = false;
  }
}

async function start() {
  const packed = (id) => bytesOfText(byId(id).textContent, Number(byId(id).dataset.bytes));
  const recording = await openPage(packed("facts"), packed("trace"));
  const total = recording.events.edge.length;
  let more = recording.readMore();
  const player = new Player(recording);
  globalThis.player = player;
  player.go(0);
  performance.mark("first picture");
  // The first picture is there; the rest is read between pictures, and kept from being seen.
  while (more) {
    byId("state").textContent = `Reading the recording: ${Math.floor((100 * recording.ready) / total)} %`;
    await new Promise((resolve) => { setTimeout(resolve); });
    const { moment } = recording;
    const until = performance.now() + 12;
    while (more && performance.now() < until) more = recording.readMore();
    recording.goTo(moment);
  }
  byId("state").hidden = true;
  player.line.draw(player.cycle);
  if (!player.readFragment() && !player.calm) player.play(1);
  document.documentElement.dataset.ready = "yes";
}

start().catch((error) => {
  byId("state").textContent = `This browser cannot read the recording: ${error.message}. `
    + "It takes a version of 2023 or later.";
});
