/* The page's controls. Texts of the recording are only ever set as text, and whatever moves goes
through `go`. */

const byId = (id) => document.getElementById(id);
const number = (value) => value.toLocaleString("en");
const hex = (value, digits) => "$" + value.toString(16).toUpperCase().padStart(digits, "0");

const isChord = (event) => event.ctrlKey || event.altKey || event.metaKey;

// Make an element: properties and ARIA attributes, then children.
function make(tag, properties = {}, ...children) {
	const made = document.createElement(tag);
	for (const [name, value] of Object.entries(properties)) {
		if (name === "label") made.ariaLabel = value;
		else made[name] = value;
	}
	made.append(...children);
	return made;
}

const button = (text, onclick, label = text) => make("button", { onclick, label }, text);

function select(label, options, value, does) {
	const list = make("select", { onchange: () => does(Number(list.value)) },
		...options.map(([one, text]) => make("option", { value: one }, text)));
	list.value = value;
	return [make("label", {}, label + " ", list), list];
}

function table(caption, head, rows) {
	const lines = [...head ? [head] : [], ...rows].map((cells) => make("tr", {}, ...cells.map(
		(cell, i) => make(cells === head || !i ? "th" : "td", {}, cell))));
	return make("div", { className: "wide", role: "region", tabIndex: 0, label: caption },
		make("table", {}, make("caption", {}, caption), ...lines));
}

class Player {
	constructor(recording) {
		const { facts } = recording, { time, caution } = facts;
		Object.assign(this, { recording, facts, time, cycle: 0, playing: 0, speed: 1, pixel: null });
		byId("about").textContent = facts.about;
		byId("caution").textContent = caution;
		byId("caution").hidden = !caution;
		this.calm = matchMedia("(prefers-reduced-motion: reduce)").matches || caution;
		this.makeScreens();
		this.makeControls();
		this.makeTimes();
		this.makeLookup();
		this.makeMore();
		byId("all").hidden = false;
		onkeydown = (event) => this.key(event);
		onhashchange = () => this.readFragment();
		onresize = () => this.fit();
		matchMedia("(prefers-color-scheme: dark)").onchange = () => this.fit();
	}

	timeText(cycle) {
		return `${(cycle / this.time.clock_hz).toFixed(6)} s`;
	}

	// Show a cycle; `moment` is given where a step stops between the events of one cycle.
	go(cycle, moment = null) {
		const { recording } = this;
		this.cycle = Math.max(0, Math.min(Math.round(cycle), this.time.end_cycle));
		const usual = recording.momentOfCycle(this.cycle);
		this.stepped = moment !== null && moment !== usual;
		recording.goTo(moment ?? usual);
		if (this.shown !== recording.moment) this.draw();
		this.showTime();
		if (this.playing) return;
		this.look();
		clearTimeout(this.noting);
		if (this.isRead) this.noting = setTimeout(() => this.writeFragment(), 200);
	}

	stop(cycle) {
		this.play(0);
		this.go(cycle);
	}

	store(steps) {
		this.play(0);
		const { recording } = this;
		let moment = Math.max(0, Math.min(recording.moment + steps, recording.ready));
		// A page that is shown is no store.
		while (moment < recording.ready && recording.events.fate[moment - 1] === TURN) {
			moment += Math.sign(steps);
		}
		this.go(moment && recording.cycleOfEvent(moment - 1), moment);
	}

	refresh(steps) {
		const { clock_hz: clock, refresh_hz: rate } = this.time;
		const at = (k) => Math.floor(k * clock / rate);
		let k = Math.floor(this.cycle * rate / clock);
		while (at(k + 1) <= this.cycle) k++;
		this.stop(at(steps > 0 ? k + 1 : at(k) < this.cycle ? k : k - 1));
	}

	// Play on (1), back (-1), or not (0).
	play(way) {
		const was = this.playing, { end_cycle: end } = this.time;
		if (way > 0 && this.cycle >= end) this.go(0);
		if (way < 0 && this.cycle <= 0) this.go(end);
		this.playing = way;
		for (const [one, text, own] of [[this.back, "Play back", -1], [this.on, "Play", 1]]) {
			one.textContent = one.ariaLabel = own === way ? "Pause" : text;
		}
		if (was && !way) this.go(this.cycle);
		this.place = this.cycle;
		this.last = performance.now();
		if (way && !was) requestAnimationFrame((now) => this.tick(now));
	}

	tick(now) {
		if (!this.playing) return;
		const passed = Math.max(0, Math.min(now - this.last, 100)) / 1000;
		this.last = now;
		this.place += this.playing * this.speed * passed * this.time.clock_hz;
		this.go(this.place);
		this.line.follow(this.cycle);
		if (this.playing > 0 ? this.place >= this.time.end_cycle : this.place <= 0) this.play(0);
		else requestAnimationFrame((next) => this.tick(next));
	}

	// --- the address's fragment: #at=1.5s&unit=panel&pixel=12,40

	writeFragment() {
		const at = `${Number((this.cycle / this.time.clock_hz).toFixed(9))}s`;
		const parts = new URLSearchParams({ at, unit: this.facts.units[this.unit].name });
		if (this.stepped) parts.set("event", this.recording.moment);
		const pixel = this.pixel ? `&pixel=${this.pixel}` : "";
		history.replaceState(null, "", `#${parts}${pixel}`);
	}

	// Returns whether the fragment names a moment.
	readFragment() {
		const parts = new URLSearchParams(location.hash.slice(1)), { ready } = this.recording;
		const told = (name, form) => form.exec(parts.get(name) ?? "");
		const unit = this.facts.units.findIndex((one) => one.name === parts.get("unit"));
		const pixel = told("pixel", /^(\d+),(\d+)$/), event = told("event", /^\d+$/);
		const at = told("at", /^(\d+(?:\.\d+)?)(s|ms|us|ns)$/);
		this.play(0);
		if (unit >= 0) this.unit = unit;
		if (pixel) this.choose(this.unit, Number(pixel[1]), Number(pixel[2]));
		if (!at) return false;
		const cycle = at[1] / { s: 1, ms: 1e3, us: 1e6, ns: 1e9 }[at[2]] * this.time.clock_hz;
		this.go(cycle, event && Math.min(Number(event[0]), ready));
		return true;
	}

	makeScreens() {
		this.unit = 0;
		this.views = this.recording.screens.map((screen, i) => {
			const { unit } = screen, edge = unit.border_px;
			const canvas = make("canvas", {
				width: unit.width_px + 2 * edge, height: unit.height_px + 2 * edge, tabIndex: 0,
				role: "img", label: `Screen of unit ${unit.name}; arrow keys choose a pixel`,
			});
			canvas.onpointerdown = ({ offsetX, offsetY }) => {
				const each = canvas.clientWidth / canvas.width;
				this.choose(i, Math.floor(offsetX / each) - edge, Math.floor(offsetY / each) - edge);
			};
			canvas.onkeydown = (event) => {
				const [right, down] = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1],
					ArrowDown: [0, 1] }[event.key] ?? [0, 0];
				if (!right && !down || isChord(event)) return;
				event.preventDefault();
				const [x, y] = this.unit === i && this.pixel || [-right, -down];
				this.choose(i, x + right, y + down);
			};
			const marker = make("div", { className: "marker", hidden: true });
			byId("screens").append(make("figure", {}, make("figcaption", {}, unit.name),
				make("div", { className: "screen" }, canvas, marker)));
			const pen = canvas.getContext("2d"), image = pen.createImageData(canvas.width, canvas.height);
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

	// Each pixel is a square of whole pixels of the display.
	fit() {
		const ratio = devicePixelRatio, room = byId("screens").clientWidth;
		const most = Math.min(...this.views.map(({ canvas }) => ratio
			* Math.min(room / canvas.width, innerHeight * 0.62 / canvas.height)));
		const chosen = Number(this.scale.value) * Math.max(1, Math.round(ratio));
		const each = (chosen || Math.max(1, Math.floor(most))) / ratio;
		for (const { canvas } of this.views) {
			canvas.style.width = `${canvas.width * each}px`;
			canvas.style.height = `${canvas.height * each}px`;
		}
		this.line.draw(this.cycle);
		this.mark();
	}

	makeControls() {
		const speeds = [1e-6, 1e-5, 1e-4, 0.001, 0.01, 0.1, 0.25, 0.5, 1, 2, 4, 16, 64];
		const times = (values) => values.map((value) => [value, `${value} ×`]);
		const [speed] = select("Speed", times(speeds), 1, (value) => { this.speed = value; });
		const scales = [[0, "fit"], ...times([1, 2, 3, 4, 5, 6, 8])];
		const [scale, list] = select("Scale", scales, 0, () => this.fit());
		this.scale = list;
		this.back = button("Play back", () => this.play(this.playing < 0 ? 0 : -1));
		this.on = button("Play", () => this.play(this.playing > 0 ? 0 : 1));
		byId("controls").append(button("− refresh", () => this.refresh(-1), "One refresh back"),
			button("− store", () => this.store(-1), "One store back"), this.back, this.on,
			button("+ store", () => this.store(1), "One store on"),
			button("+ refresh", () => this.refresh(1), "One refresh on"), speed, scale);
	}

	key(event) {
		const takesKeys = "input[type=number], select, summary, a" + (event.key === " " ? ", button" : "");
		if (isChord(event) || event.target.matches?.(takesKeys)) return;
		const does = {
			" ": () => this.play(this.playing ? 0 : 1), b: () => this.back.click(),
			",": () => this.store(-1), ".": () => this.store(1),
			"[": () => this.refresh(-1), "]": () => this.refresh(1),
			"+": () => this.line.zoom(0.5), "-": () => this.line.zoom(2),
		}[event.key];
		if (!does) return;
		event.preventDefault();
		does();
	}

	makeTimes() {
		const { end_cycle: end, clock_hz: clock } = this.time, { places } = this.facts;
		this.slider = make("input", {
			type: "range", min: 0, max: end, step: Math.max(1, Math.floor(end / 1000)), label: "Moment",
			oninput: () => this.stop(Number(this.slider.value)),
		});
		this.now = make("output");
		const canvas = make("canvas", {
			id: "line", role: "img", label: "Link use, changes, errors, keys and marks",
		});
		const cursor = make("div", { className: "cursor" });
		this.line = new TimeLine(canvas, cursor, this.recording, (cycle) => this.stop(cycle));
		const all = () => { this.line.all(); this.line.draw(this.cycle); };
		const holder = make("div", { className: "line" }, canvas, cursor);
		byId("times").append(this.slider, this.now, holder, make("p", {},
			button("Zoom in", () => this.line.zoom(0.5)),
			button("Zoom out", () => this.line.zoom(2)), button("All", all, "Whole time line")));
		if (places.length) {
			byId("times").append(make("ul", {}, ...places.map(([cycle, note]) =>
				make("li", {}, make("a", { href: `#at=${cycle / clock}s` }, this.timeText(cycle)), " ", note))));
		}
	}

	showTime() {
		const { recording, cycle } = this, errors = recording.errors[recording.moment];
		const text = `${this.timeText(cycle)}, cycle ${number(cycle)}, frame ${number(recording.frameOf(recording.moment))}`
			+ `, errors: ${number(errors)}`;
		this.now.textContent = text;
		this.slider.value = cycle;
		this.slider.ariaValueText = text;
		this.line.draw(cycle);
	}

	makeLookup() {
		const typed = () => this.choose(
			Number(this.units.value), Number(this.atX.value), Number(this.atY.value));
		const names = this.facts.units.map((unit, i) => [i, unit.name]);
		const [unit, list] = select("unit", names, 0, typed);
		const place = (label) => make("input", { type: "number", min: 0, label, oninput: typed });
		[this.units, this.atX, this.atY] = [list, place("Pixel x"), place("Pixel y")];
		this.found = make("div", { ariaLive: "polite" });
		byId("lookup").append(make("h2", {}, "Pixel"), make("p", {}, unit, " x ", this.atX, " y ", this.atY), this.found);
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
			const each = canvas.clientWidth / canvas.width, { style } = marker;
			[style.left, style.top] = this.pixel.map((at) => `${(at + unit.border_px) * each}px`);
			style.width = style.height = `${each}px`;
		});
	}

	// Say what the pixel is, and what wrote it.
	look() {
		if (!this.pixel) return;
		const { recording, facts, unit } = this, { events } = recording, screen = recording.screens[unit];
		const [x, y] = this.pixel, offset = screen.offset(x, y), byte = screen.memory[offset];
		const { unit: shown } = screen, index = screen.indexes[y * shown.width_px + x];
		const colour = hex(1 << 24 | screen.palette[3 * index] << 16
			| screen.palette[3 * index + 1] << 8 | screen.palette[3 * index + 2], 6).slice(2);
		const rows = [["colour", `#${colour}, palette index ${index}${screen.blank ? ", blanked" : ""}`],
			["byte", `offset ${number(offset)}${this.address(offset)}, value ${hex(byte, 2)} (${byte})`]];
		if (shown.is_text) {
			rows.push(["cell", `column ${Math.floor(x / shown.cell_width_px)}, row `
				+ `${Math.floor(y / shown.cell_height_px)}, colours ${hex(screen.colours(offset), 2)}`]);
		}
		if (shown.page_bytes) rows.push(["page", screen.page]);
		const more = [], written = [["last write", offset]];
		if (shown.cell_bytes > 1) written.push(["colours' write", (offset + 1) % screen.memory.length]);
		for (const [name, at] of written) {
			const event = recording.lastWrite(unit, at);
			if (event < 0) {
				rows.push([name, "none so far"]);
				continue;
			}
			const cycle = recording.cycleOfEvent(event), made = recording.instruction(event);
			const by = events.fate[event] === SPURIOUS ? "a frame that was not sent so"
				: `frame ${number(recording.frameOf(event) + 1)}`;
			rows.push([name, `${hex(events.data[event], 2)} by ${by}, at ${this.timeText(cycle)}`]);
			rows.push(["instruction", made ?? `not known: ${facts.unknown}`]);
			more.push(button(`Go to the ${name}`, () => { this.play(0); this.go(cycle, event + 1); }));
		}
		this.found.replaceChildren(
			table(`${facts.units[unit].name}, pixel ${x}, ${y}`, null, rows), ...more);
	}

	// The processor's address of an offset in the unit's memory, with its label.
	address(offset) {
		for (const { unit, first_address: first, last_address: last, first_offset, labels } of
			this.facts.windows) {
			const address = first + offset - first_offset;
			if (unit !== this.unit || address < first || address > last) continue;
			const [at, name] = labels.filter(([one]) => one <= address).pop() ?? [];
			return ` = ${hex(address, 4)} ${name ?? ""}${address > at ? `+${address - at}` : ""}`.trimEnd();
		}
		return "";
	}

	makeMore() {
		const { facts } = this, save = () => {
			const href = URL.createObjectURL(new Blob([this.recording.trace]));
			make("a", { href, download: facts.file }).click();
			setTimeout(() => URL.revokeObjectURL(href), 60000);
		};
		byId("more").append(button(`Save the trace (${number(facts.trace_bytes)} bytes)`, save),
			make("details", {}, make("summary", {}, "Link, board, and keys of this page"),
				...facts.tables.map((one) => table(...one))));
	}
}

async function start() {
	byId("state").textContent = "Reading the recording";
	const unpack = (id) => bytesOfText(byId(id).textContent, Number(byId(id).dataset.bytes));
	const recording = await openPage(unpack("facts"), unpack("trace"));
	const player = globalThis.player = new Player(recording);
	player.fit();
	player.go(0);
	performance.mark("first picture");
	// The first picture is there; what is recorded is read between pictures.
	for (let more = true; more;) {
		await new Promise((resolve) => { setTimeout(resolve); });
		const { moment } = recording, until = performance.now() + 12;
		while (more && performance.now() < until) more = recording.readMore();
		recording.goTo(moment);
	}
	byId("state").hidden = player.isRead = true;
	player.go(player.cycle);
	if (!player.readFragment() && !player.calm) player.play(1);
	document.documentElement.dataset.ready = "yes";
}

start().catch((error) => {
	byId("state").textContent = `This browser cannot read it: ${error.message}. One of 2023 or later can.`;
});
