/* The time line. Each row has a shape of its own, so that nothing depends on colour. */

const ROW_PX = 22, COLUMN_PX = 3;

class TimeLine {
	// `seek` is called with a cycle.
	constructor(canvas, cursor, recording, seek) {
		Object.assign(this, { canvas, cursor, recording, seek, pointers: new Map(), cycle: 0 });
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
		this.span = Math.min(this.end, Math.max(64, before * factor));
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
		const style = getComputedStyle(canvas), view = [this.first, this.span, width, ratio,
			this.recording.ready, style.color].join();
		this.cursor.style.left = `${(cycle - this.first) / this.span * 100}%`;
		if (this.drawn === view) return;
		this.drawn = view;
		canvas.width = Math.max(1, width * ratio);
		canvas.height = 5 * ROW_PX * ratio;
		const pen = canvas.getContext("2d");
		pen.scale(ratio, ratio);
		pen.font = "11px system-ui, sans-serif";
		pen.lineWidth = 3;
		pen.strokeStyle = getComputedStyle(document.body).backgroundColor;
		this.drawRows(pen, width, style);
	}

	drawRows(pen, width, style) {
		const { recording, first, span } = this, { time, keys, marks } = recording.facts;
		const count = Math.max(1, Math.floor(width / COLUMN_PX)), wide = width / count;
		const rate = time.edges / time.cycles, slots = span * rate / time.slot_edges / count;
		const stops = Array.from({ length: count + 1 }, (_, i) =>
			recording.eventsUpTo(time.lead_edges + (first + span * i / count) * rate));
		const columns = (sum) => stops.slice(1).map((stop, i) => sum(stop) - sum(stops[i]));
		const places = (pairs) => pairs.map(([cycle]) => (cycle - first) / span * width);
		const errors = columns((at) => recording.errors[at]).flatMap((n, i) => n ? [i * wide] : []);
		const rows = [["link use", columns((at) => at)], ["changes", columns((at) => recording.changes[at])],
			["errors", errors, "▲"], ["keys", places(keys), "|"], ["marks", places(marks), "◆"]];
		rows.forEach(([name, values, sign], row) => {
			const bottom = (row + 1) * ROW_PX - 1, most = Math.max(1, ...sign ? [] : values);
			pen.fillStyle = style.getPropertyValue(row === 2 ? "--alarm" : "--bar");
			values.forEach((value, i) => {
				const tall = value && Math.max(1, value / most * (ROW_PX - 3));
				if (sign) pen.fillText(sign, value - 4, bottom - 3);
				// Link use is filled, changes are thin lines.
				else pen.fillRect(i * wide, bottom - tall, row ? 1 : wide, tall);
			});
			if (!sign) name += `, up to ${(100 * Math.min(1, most / slots)).toFixed(1)} %`;
			pen.fillStyle = style.color;
			pen.fillRect(0, bottom, width, 1);
			// Bars behind a name leave it readable.
			pen.strokeText(name, 4, bottom - 8);
			pen.fillText(name, 4, bottom - 8);
		});
	}
}
