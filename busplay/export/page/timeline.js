/* The time line: link use, changes, errors, keys and marks. Each has a row and a shape of its own,
so that nothing depends on colour. */

const ROW_PX = 22, COLUMN_PX = 3, LEAST_CYCLES = 64;

class TimeLine {
	// `seek` is called with a cycle.
	constructor(canvas, recording, seek) {
		Object.assign(this, { canvas, recording, seek, pointers: new Map(), cycle: 0 });
		this.end = Math.max(1, recording.facts.time.end_cycle);
		this.all();
		canvas.onpointerdown = (event) => {
			canvas.setPointerCapture(event.pointerId);
			this.point(event);
		};
		canvas.onpointermove = (event) => this.pointers.has(event.pointerId) && this.point(event);
		canvas.onpointerup = canvas.onpointercancel = (event) => this.pointers.delete(event.pointerId);
		canvas.addEventListener("wheel", (event) => {
			event.preventDefault();
			this.zoom(event.deltaY < 0 ? 0.8 : 1.25, this.cycleAt(event.offsetX));
		}, { passive: false });
	}

	all() {
		this.first = 0;
		this.span = this.end;
	}

	zoom(factor, around = this.cycle) {
		const before = this.span;
		this.span = Math.min(this.end, Math.max(LEAST_CYCLES, before * factor));
		this.move(around - (around - this.first) * this.span / before);
	}

	move(first) {
		this.first = Math.max(0, Math.min(first, this.end - this.span));
		this.draw(this.cycle);
	}

	cycleAt(x) {
		return Math.round(this.first + x / this.canvas.clientWidth * this.span);
	}

	// One pointer seeks; two zoom and move.
	point(event) {
		const before = [...this.pointers.values()];
		this.pointers.set(event.pointerId, event.offsetX);
		const now = [...this.pointers.values()], apart = ([a, b]) => Math.max(8, Math.abs(a - b));
		if (now.length === 1) this.seek(this.cycleAt(event.offsetX));
		else if (before.length > 1) this.zoom(apart(before) / apart(now), this.cycleAt(now[0]));
	}

	// Keep a moment in view while it plays.
	follow(cycle) {
		if (cycle < this.first || cycle > this.first + this.span) this.move(cycle - this.span / 2);
	}

	draw(cycle) {
		this.cycle = cycle;
		const { canvas } = this, ratio = devicePixelRatio, width = canvas.clientWidth;
		const colour = getComputedStyle(canvas).color;
		const view = [this.first, this.span, width, ratio, this.recording.ready, colour].join();
		const pen = canvas.getContext("2d");
		if (this.drawn !== view) {
			this.drawn = view;
			canvas.width = Math.max(1, width * ratio);
			canvas.height = 5 * ROW_PX * ratio;
			pen.scale(ratio, ratio);
			this.drawRows(pen, width, colour);
			this.back = new OffscreenCanvas(canvas.width, canvas.height);
			this.back.getContext("2d").drawImage(canvas, 0, 0);
		}
		pen.setTransform(1, 0, 0, 1, 0, 0);
		pen.clearRect(0, 0, canvas.width, canvas.height);
		pen.drawImage(this.back, 0, 0);
		const x = (cycle - this.first) / this.span * canvas.width;
		pen.fillStyle = colour;
		pen.fillRect(Math.round(x) - ratio, 0, 2 * ratio, canvas.height);
	}

	drawRows(pen, width, ink) {
		const { recording, first, span } = this, { facts } = recording, { time } = facts;
		const count = Math.max(1, Math.floor(width / COLUMN_PX)), wide = width / count;
		const style = getComputedStyle(this.canvas), slots = span * time.edges / time.cycles / time.slot_edges / count;
		const before = Array.from({ length: count + 1 }, (_, i) => recording.eventsUpTo(
			time.lead_edges + (first + span * i / count) * time.edges / time.cycles));
		const parts = (sums) => before.slice(1).map((stop, i) => sums(stop) - sums(before[i]));
		const [use, changes] = [(at) => at, (at) => recording.changes[at]].map((sums) =>
			parts(sums).map((events) => Math.min(1, events / slots)));
		const errors = parts((at) => recording.errors[at]);
		const most = (shares) => Math.max(1e-9, ...shares);
		const percent = (shares) => `, up to ${Math.round(1000 * most(shares)) / 10} %`;
		const rows = [["link use" + percent(use), use], ["changes" + percent(changes), changes],
			["errors"], ["keys", facts.keys], ["marks", facts.marks]];
		pen.font = "11px system-ui, sans-serif";
		rows.forEach(([name, values], row) => {
			const bottom = (row + 1) * ROW_PX - 1;
			pen.fillStyle = style.getPropertyValue(row === 2 ? "--alarm" : "--bar");
			if (row < 2) {
				// Link use is filled, changes are thin lines.
				values.forEach((value, i) => {
					const tall = value && Math.max(1, value / most(values) * (ROW_PX - 3));
					pen.fillRect(i * wide, bottom - tall, row ? 1 : wide, tall);
				});
			} else if (row === 2) {
				errors.forEach((error, i) => {
					if (!error) return;
					pen.beginPath();
					for (const [x, y] of [[-4, 0], [4, 0], [0, 10]]) pen.lineTo(i * wide + x, bottom - y);
					pen.fill();
				});
			} else {
				for (const [cycle] of values) {
					const x = (cycle - first) / span * width;
					pen.fillRect(x, bottom - 8 * row + 14, 2, 8 * row - 14);
					if (row === 4) pen.fillRect(x, bottom - 18, 8, 6);
				}
			}
			pen.fillStyle = ink;
			pen.fillRect(0, bottom, width, 1);
			// Bars behind a name leave it readable.
			pen.strokeStyle = getComputedStyle(document.body).backgroundColor;
			pen.lineWidth = 3;
			pen.strokeText(name, 4, bottom - 8);
			pen.fillText(name, 4, bottom - 8);
		});
	}
}
