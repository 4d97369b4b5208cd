"use strict";
/* Reads a recording: the trace's bytes to frames, frames to displays.

The page holds the trace as it is. Browsers inflate, but few take the Zstandard within a trace.
Which frames arrived is busplay's decision: `facts` says where that differs from what was sent.
Displays pass the same vectors as busplay/display. */

// --- text to bytes: seven bits a character, see page_text.py

const BARRED = [0, 7, 8, 11, 12, 13, 14, 15, 26, 27, 60, 127], PAIRS_FROM = 160;

function bytesOfText(text, length) {
	const out = new Uint8Array(length);
	for (let i = 0, at = 0, held = 0, bits = 0; i < text.length; i++) {
		const code = text.charCodeAt(i), pair = code - PAIRS_FROM;
		bits += pair < 0 ? 7 : 14;
		held = pair < 0 ? held << 7 | code : held << 14 | BARRED[pair >> 7] << 7 | pair & 127;
		while (bits >= 8) out[at++] = held >> (bits -= 8);
		held &= (1 << bits) - 1;
	}
	return out;
}

async function inflate(bytes) {
	const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
	return new Uint8Array(await new Response(stream).arrayBuffer());
}

// --- Zstandard (RFC 8878)

const Zstd = (() => {
	// First value and extra bits of each code for a length.
	const codes = (first, extra) => [...extra].map((letter) => {
		const bits = parseInt(letter, 36);
		first += 1 << bits;
		return [first - (1 << bits), bits];
	});
	const LITERAL = codes(0, "00000000000000001111223346789abcdefg");
	const MATCH = codes(3, "0000000000000000000000000000000011112233445789abcdefg");

	// Spread symbols over the states of an FSE table; a count of -1 takes one state at its end.
	const spread = (counts, log) => {
		const size = 1 << log;
		const symbol = new Uint8Array(size), bits = new Uint8Array(size), base = new Uint16Array(size);
		const next = counts.map(Math.abs);
		let high = size - 1, at = 0;
		counts.forEach((count, s) => { if (count < 0) symbol[high--] = s; });
		counts.forEach((count, s) => {
			for (let i = 0; i < count; i++) {
				symbol[at] = s;
				do at = at + (size >> 1) + (size >> 3) + 3 & size - 1; while (at > high);
			}
		});
		for (let state = 0; state < size; state++) {
			const n = next[symbol[state]]++;
			bits[state] = log - 31 + Math.clz32(n);
			base[state] = (n << bits[state]) - size;
		}
		return { log, symbol, bits, base };
	};
	// For lengths, offsets, matches: a digit is a count, z is -1.
	const PREDEFINED = [
		["43222222222221112222222223211111zzzz", 6],
		["111111222111111111111111zzzzz", 5],
		["1432222221111111111111111111111111111111111111zzzzzzz", 6],
	].map(([text, log]) => spread([...text].map((one) => one === "z" ? -1 : Number(one)), log));

	// Read an FSE table; returns it and where it ends.
	const readTable = (src, start) => {
		let at = start * 8;
		const peek = (count) => {
			const i = at >> 3;
			return (src[i] | src[i + 1] << 8 | src[i + 2] << 16) >> (at & 7) & (1 << count) - 1;
		};
		const log = peek(4) + 5, counts = [];
		at += 4;
		let left = (1 << log) + 1, half = 1 << log, width = log + 1;
		while (left > 1) {
			const few = 2 * half - 1 - left;
			let count = peek(width - 1);
			at += width - 1;
			if (count >= few) {
				at -= width - 1;
				count = peek(width);
				if (count >= half) count -= few;
				at += width;
			}
			counts.push(--count);
			left -= Math.abs(count);
			for (let zeros = count ? 0 : 3; zeros === 3; at += 2) {
				zeros = peek(2);
				counts.push(...Array(zeros).fill(0));
			}
			for (; left < half; half >>= 1) width--;
		}
		return { table: spread(counts, log), end: at + 7 >> 3 };
	};

	// Bits of a stream, read backwards from below its highest; beyond its start there are zeros.
	class Bits {
		constructor(src, start, end) {
			this.src = src;
			this.start = start;
			this.left = (end - start) * 8 - Math.clz32(src[end - 1]) + 23;
		}
		peek(count) {
			const { src } = this, low = this.left - count, i = this.start + (low >> 3);
			return (1 << count) - 1 & (low < 0 ? (src[this.start] | src[this.start + 1] << 8) << -low
				: (src[i] | src[i + 1] << 8 | src[i + 2] << 16) >> (low & 7));
		}
		read(count) {
			if (count > 16) return this.read(count - 16) * 65536 + this.read(16);
			const found = this.peek(count);
			this.left -= count;
			return found;
		}
	}

	// Read a Huffman table: for each pattern of `log` bits, length << 8 | byte.
	const readHuffman = (src, at) => {
		const weights = [];
		let end = src[at++];
		if (end > 127) {
			const count = end - 127;
			for (let i = 0; i < count; i++) weights.push(src[at + (i >> 1)] >> (i & 1 ? 0 : 4) & 15);
			end = at + (count + 1 >> 1);
		} else {
			end += at;
			const { table, end: begin } = readTable(src, at), bits = new Bits(src, begin, end);
			let one = bits.read(table.log), other = bits.read(table.log);
			do {
				weights.push(table.symbol[one]);
				[one, other] = [other, table.base[one] + bits.read(table.bits[one])];
			} while (bits.left >= 0);
			weights.push(table.symbol[one]);
		}
		const sum = weights.reduce((all, weight) => all + (1 << weight >> 1), 0);
		const log = 32 - Math.clz32(sum), table = new Uint16Array(1 << log);
		weights.push(32 - Math.clz32((1 << log) - sum));
		let filled = 0;
		for (let weight = 1; weight <= log; weight++) {
			weights.forEach((own, symbol) => {
				if (own !== weight) return;
				const entry = log + 1 - weight << 8 | symbol;
				table.fill(entry, filled, filled += 1 << weight - 1);
			});
		}
		return { huffman: { log, table }, end };
	};

	// Read the literals of a block; returns them and where they end.
	const readLiterals = (src, at, state) => {
		const type = src[at] & 3, form = src[at] >> 2 & 3;
		const number = (bytes) => {
			let value = 0;
			for (let i = bytes; i--;) value = value * 256 + src[at + i];
			return value;
		};
		if (type < 2) {
			const bytes = [1, 2, 1, 3][form], size = number(bytes) >> (bytes === 1 ? 3 : 4);
			at += bytes;
			return type ? { literals: new Uint8Array(size).fill(src[at]), end: at + 1 }
				: { literals: src.subarray(at, at + size), end: at + size };
		}
		const bytes = [3, 3, 4, 5][form], width = 2 ** [10, 10, 14, 18][form];
		const sizes = Math.floor(number(bytes) / 16), size = sizes % width;
		const literals = new Uint8Array(size);
		at += bytes;
		const end = at + Math.floor(sizes / width);
		if (type === 2) ({ huffman: state.huffman, end: at } = readHuffman(src, at));
		const streams = form ? 4 : 1, each = form ? size + 3 >> 2 : size;
		for (let i = 0, begin = form ? at + 6 : at; i < streams; i++) {
			const stop = i < streams - 1 ? begin + src[at + 2 * i] + src[at + 2 * i + 1] * 256 : end;
			const last = Math.min(size, (i + 1) * each);
			const bits = new Bits(src, begin, stop), { log, table } = state.huffman;
			for (let to = i * each; to < last; to++) {
				const found = table[bits.peek(log)];
				literals[to] = found;
				bits.left -= found >> 8;
			}
			begin = stop;
		}
		return { literals, end };
	};

	const readBlock = (src, start, end, out, at, state) => {
		const { literals, end: behind } = readLiterals(src, start, state);
		let p = behind, used = 0, count = src[p++];
		if (count === 255) {
			count = src[p] + src[p + 1] * 256 + 0x7f00;
			p += 2;
		} else if (count > 127) count = (count - 128) * 256 + src[p++];
		if (count) {
			const modes = src[p++], { last, tables } = state;
			for (let i = 0; i < 3; i++) {
				const mode = modes >> 6 - 2 * i & 3;
				if (mode === 0) tables[i] = PREDEFINED[i];
				if (mode === 1) tables[i] = { log: 0, symbol: [src[p++]], bits: [0], base: [0] };
				if (mode === 2) ({ table: tables[i], end: p } = readTable(src, p));
			}
			const [lengths, offsets, matches] = tables, bits = new Bits(src, p, end);
			let l = bits.read(lengths.log), o = bits.read(offsets.log), m = bits.read(matches.log);
			for (let i = 0; i < count; i++) {
				const code = offsets.symbol[o], value = 2 ** code + bits.read(code);
				const match = MATCH[matches.symbol[m]], literal = LITERAL[lengths.symbol[l]];
				const length = match[0] + bits.read(match[1]);
				const before = literal[0] + bits.read(literal[1]);
				// 1 to 3: an offset used lately, or the last less 1.
				const which = value > 3 ? 3 : value - 1 + (before === 0);
				const offset = value > 3 ? value - 3 : which > 2 ? last[0] - 1 : last[which];
				if (which > 1) last[2] = last[1];
				if (which > 0) last[1] = last[0];
				last[0] = offset;
				for (const stop = used + before; used < stop;) out[at++] = literals[used++];
				for (const stop = at + length; at < stop; at++) out[at] = out[at - offset];
				if (i + 1 === count) break;
				l = lengths.base[l] + bits.read(lengths.bits[l]);
				m = matches.base[m] + bits.read(matches.bits[m]);
				o = offsets.base[o] + bits.read(offsets.bits[o]);
			}
		}
		out.set(literals.subarray(used), at);
		return at + literals.length - used;
	};

	// Unpack one frame without a dictionary to `size` bytes.
	return (src, p, size) => {
		const head = src[p + 4], single = head >> 5 & 1, out = new Uint8Array(size);
		p += 6 - single + [0, 1, 2, 4][head & 3] + [single, 2, 4, 8][head >> 6];
		const state = { huffman: null, tables: [], last: [1, 4, 8] };
		for (let at = 0, isLast = 0; !isLast;) {
			const block = src[p] | src[p + 1] << 8 | src[p + 2] << 16, length = block >> 3;
			const kind = block >> 1 & 3;
			isLast = block & 1;
			p += 3;
			if (kind === 0) out.set(src.subarray(p, p + length), at);
			if (kind === 1) out.fill(src[p], at, at + length);
			at = kind < 2 ? at + length : readBlock(src, p, p + length, out, at, state);
			p += kind === 1 ? 1 : length;
		}
		return out;
	};
})();

// --- trace to frames (traces/README.md)

const SLOTS = 0, REST = 1, OTHERS = 3, ADDRESS = 5, DATA = 6, USED = [0, 1, 3, 5, 6];
// Fates, as in deliveries.py; those from SPURIOUS on were not sent so.
const SERVED = 0, SPURIOUS = 4, TURN = 5, NO_UNIT = 0x3fff;

// The events of a recording, in order: each frame sent, and those of `facts.others`.
class Events {
	constructor(facts) {
		const most = facts.frames + facts.others.length;
		this.facts = facts;
		this.edge = new Float64Array(most);
		this.offset = new Uint32Array(most);
		this.goal = new Uint16Array(most); // index of the unit * 4 + space
		this.data = new Uint8Array(most);
		this.fate = new Uint8Array(most);
		this.count = this.sent = 0;
		this.others = []; // which events were not sent so
		this.index = new Map(facts.units.map((unit, i) => [unit.number, i]));
	}

	add(edge, space, unit, offset, data, fate) {
		const i = this.count++;
		this.edge[i] = edge;
		this.goal[i] = (this.index.get(unit) ?? NO_UNIT) * 4 + Math.min(space, 3);
		this.offset[i] = Math.min(offset, 0xffffffff);
		this.data[i] = data;
		this.fate[i] = fate;
	}

	addOthers() {
		const { facts, others } = this;
		while (facts.others[others.length]?.[0] <= this.sent) {
			others.push(this.count);
			this.add(...facts.others[others.length - 1].slice(1));
		}
	}
}

// Yield after each frame chunk.
function* readFrames(trace, events, fates) {
	const view = new DataView(trace.buffer, trace.byteOffset, trace.length);
	for (let at = 12; events.sent < events.facts.frames; at += 12 + view.getUint32(at + 4, true)) {
		if (view.getUint32(at) !== 0x46524d53) continue; // FRMS
		readChunk(trace, view, at + 8, events, fates);
		yield;
	}
	events.addOthers();
}

function readChunk(trace, view, start, events, fates) {
	const { fields, time } = events.facts, count = view.getUint32(start, true);
	// The edge "before" may lie before edge 0, modulo 2 ** 64.
	let edge = Number(view.getBigInt64(start + 44, true));
	let address = Number(view.getBigUint64(start + 60, true)), at = start + 140;
	// A column's first value, or its planes where they are stored.
	const columns = [];
	for (let column = 0; column < 8; column++) {
		const head = start + 68 + 9 * column, bytes = [...trace.subarray(head, head + 8)];
		for (let plane = 0; plane < 8; plane++) {
			if (!(trace[head + 8] >> plane & 1)) continue;
			const size = view.getUint32(at + 1, true), first = at + 5;
			if (USED.includes(column)) {
				bytes[plane] = trace[at] ? Zstd(trace, first, count) : trace.subarray(first, first + size);
			}
			at = first + size;
		}
		columns.push(bytes);
	}
	// Add what `part` makes of each byte.
	const sum = (out, bytes, part) => {
		if (typeof bytes === "number") {
			const fixed = part(bytes);
			if (fixed) for (let i = 0; i < count; i++) out[i] += fixed;
		} else {
			const parts = Float64Array.from({ length: 256 }, (_, byte) => part(byte));
			for (let i = 0; i < count; i++) out[i] += parts[bytes[i]];
		}
		return out;
	};
	const numbers = (column) => columns[column].reduce(
		(out, bytes, plane) => sum(out, bytes, (byte) => byte * 256 ** plane), new Float64Array(count));
	// Bits of the column `others`, the lowest first; or what it always is.
	const field = (told) => Array.isArray(told) ? told.reduce((out, bit, to) => sum(
		out, columns[OTHERS][bit >> 3], (byte) => (byte >> (bit & 7) & 1) << to), new Uint32Array(count))
		: new Uint32Array(count).fill(told);
	const slots = numbers(SLOTS), rest = numbers(REST), steps = numbers(ADDRESS), data = numbers(DATA);
	const space = field(fields.space), unit = field(fields.unit), modulus = 2 ** fields.address_bits;
	for (let i = 0; i < count; i++) {
		events.addOthers();
		edge += slots[i] * time.column_edges + rest[i];
		address = (address + steps[i]) % modulus;
		events.add(edge, space[i], unit[i], address, data[i], fates[events.sent++] ?? SERVED);
	}
}

// --- displays (busplay/display)

class Screen {
	constructor(unit) {
		const { base_offset: base, border_index: border, font_offset: at } = unit;
		this.unit = unit;
		this.memory = new Uint8Array(unit.memory_bytes);
		this.indexes = new Uint8Array(unit.width_px * unit.height_px);
		this.palette = new Uint8Array(unit.palette.flat());
		const mask = this.mask = (1 << unit.bits_per_pixel) - 1;
		this.font = Uint8Array.from(unit.font.match(/../g) ?? [], (row) => parseInt(row, 16));
		if (at !== null) this.memory.set(this.font, at);
		// By offset, see registers.py; BASE_HIGH and CURSOR_HIGH hold both bytes, PAGE what is shown.
		this.registers = [base & 255, base, border & mask, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0];
		this.masks = [255, 255, mask, 1, mask, 255, 255, 255, 255, 255, 3, 255];
	}

	get border() { return this.registers[2]; }
	get blank() { return this.registers[3] === 1; }
	get page() { return this.registers[12]; }

	// Write one byte of a space; returns whether a byte of the memory changed.
	write(space, offset, data) {
		const { memory, masks, registers: r } = this;
		if (space === 1 && offset < memory.length) {
			const changed = memory[offset] !== data;
			memory[offset] = data;
			return changed;
		}
		if (space === 2 && offset < masks.length) {
			r[offset] = data & masks[offset];
			if (offset === 1 || offset === 9) r[offset] = data << 8 | r[offset - 1];
			if (offset === 7) {
				this.palette.set(r.slice(5, 8), 3 * r[4]);
				r[4] = r[4] + 1 & this.mask;
			}
		}
		return false;
	}

	// Show a page, as at a refresh; `others` says when.
	turn(page) { this.registers[12] = page; }

	save() {
		return [this.memory, this.palette, this.registers].map((one) => one.slice());
	}

	restore(saved) {
		[this.memory, this.palette, this.registers] = saved.map((one) => one.slice());
	}

	// Where the byte of a pixel is, or the code of its character.
	offset(x, y) {
		const { cell_width_px: width, cell_height_px: height, cell_bytes: bytes, stride_bytes: stride,
			page_bytes: page } = this.unit;
		const first = this.registers[1] + this.page * page;
		return (first + Math.floor(y / height) * stride + Math.floor(x / width) * bytes)
			% this.memory.length;
	}

	// The colours of a cell: ink in the low four bits, paper in the high four.
	colours(offset) {
		const { memory, unit } = this;
		return unit.cell_bytes > 1 ? memory[(offset + 1) % memory.length] : this.registers[11];
	}

	// Draw to palette indexes: a byte of a bitmap, or a row of a cell, at a time.
	drawIndexes() {
		const { unit, memory, mask, indexes, registers: r } = this, { bits_per_pixel: bits } = unit;
		const { width_px: width, cell_width_px: wide, cell_height_px: tall, font_offset: at } = unit;
		const glyphs = at === null ? this.font : memory.subarray(at), cursor = r[9] % memory.length;
		for (let y = 0, to = 0; y < unit.height_px; y++) {
			const line = y % tall, atLine = line >= tall - Math.max(1, tall >> 3);
			for (let x = 0, offset = this.offset(0, y); x < width;) {
				const byte = memory[offset];
				if (unit.is_text) {
					const colours = this.colours(offset);
					let row = glyphs[byte * tall + line];
					if (offset === cursor) row = r[10] > 1 ? ~row : r[10] && atLine ? 255 : row;
					for (let i = 0; i < wide; i++, x++) {
						indexes[to++] = colours >> (row >> 7 - i & 1 ? 0 : 4) & mask;
					}
				} else {
					for (let i = 0; i < wide && x < width; i++, x++) {
						indexes[to++] = byte >> bits * (unit.high_first ? wide - 1 - i : i) & mask;
					}
				}
				offset = (offset + unit.cell_bytes) % memory.length;
			}
		}
		if (this.blank) indexes.fill(this.border);
	}

	// Draw the picture with its border to 32-bit pixels.
	draw(pixels) {
		const { width_px: width, border_px: edge } = this.unit, { palette, indexes } = this;
		const colours = Uint32Array.from({ length: this.mask + 1 }, (_, i) =>
			palette[3 * i] | palette[3 * i + 1] << 8 | palette[3 * i + 2] << 16 | 255 << 24);
		this.drawIndexes();
		pixels.fill(colours[this.border]);
		for (let at = 0, to = edge * (width + 2 * edge); at < indexes.length; to += edge) {
			to += edge;
			for (let x = 0; x < width; x++) pixels[to++] = colours[indexes[at++]];
		}
	}
}

// --- a recording

// A recording that can be at any moment, which is a count of events.
class Recording {
	constructor(facts, trace, fates, origins) {
		Object.assign(this, { facts, trace, origins, events: new Events(facts) });
		this.screens = facts.units.map((unit) => new Screen(unit));
		this.moment = this.ready = 0; // `ready` is the last that has been read
		this.frames = 0; // sent before that
		const most = this.events.edge.length;
		// Sums before each event: changed bytes, and errors.
		this.changes = new Uint32Array(most + 1);
		this.errors = new Uint32Array(most + 1);
		const bytes = facts.units.reduce((sum, unit) => sum + unit.memory_bytes + 1024, 0);
		// States are saved so many events apart, in 64 MB at most.
		this.spacing = Math.max(8192, Math.ceil(most * bytes / 64e6));
		this.saved = [];
		this.chunks = readFrames(trace, this.events, fates);
		this.losses = new Map(facts.losses);
	}

	// Read a chunk; returns whether there may be another.
	readMore() {
		const { done } = this.chunks.next(), { events, screens } = this;
		this.goTo(this.ready);
		for (let i = this.ready; i < events.count; i++) {
			if (i % this.spacing === 0) this.saved.push(screens.map((screen) => screen.save()));
			const fate = events.fate[i], lost = fate < SPURIOUS && this.losses.get(this.frames++);
			this.changes[i + 1] = this.changes[i] + (this.apply(i) ? 1 : 0);
			this.errors[i + 1] = this.errors[i] + (fate === SERVED || fate === TURN ? 0 : 1) + (lost || 0);
		}
		this.moment = this.ready = events.count;
		return !done;
	}

	isShown(i) {
		return this.events.fate[i] === SERVED || this.events.fate[i] === SPURIOUS;
	}

	apply(i) {
		const { goal, offset, data, fate } = this.events, screen = this.screens[goal[i] >> 2];
		if (fate[i] === TURN) return screen.turn(data[i]);
		return this.isShown(i) && screen?.write(goal[i] & 3, offset[i], data[i]);
	}

	goTo(moment) {
		const nearest = Math.min(Math.floor(moment / this.spacing), this.saved.length - 1);
		if (moment < this.moment || this.moment < nearest * this.spacing) {
			this.screens.forEach((screen, i) => screen.restore(this.saved[nearest][i]));
			this.moment = nearest * this.spacing;
		}
		while (this.moment < moment) this.apply(this.moment++);
	}

	// The edge up to which frames have begun at a processor cycle.
	startEdge(cycle) {
		const { edges, cycles, lead_edges: lead, grid_edges: grid } = this.facts.time;
		// In BigInt, since clocks need not divide each other.
		const edge = (BigInt(cycle) * BigInt(edges) + BigInt(cycles - 1)) / BigInt(cycles);
		return Math.ceil((lead + Number(edge)) / grid) * grid;
	}

	// The first cycle that shows an event.
	cycleOfEvent(i) {
		const { edges, cycles, lead_edges: lead, grid_edges: grid, end_cycle: end } = this.facts.time;
		const before = Math.ceil(this.events.edge[i] / grid) * grid - grid - lead;
		if (before < 0) return 0;
		return Math.min(Number(BigInt(before) * BigInt(cycles) / BigInt(edges)) + 1, end);
	}

	momentOfCycle(cycle) {
		if (cycle >= this.facts.time.end_cycle) return this.ready;
		return this.eventsUpTo(this.startEdge(cycle));
	}

	eventsUpTo(edge) {
		const { edge: edges } = this.events;
		let low = 0, high = this.ready;
		while (low < high) {
			const middle = low + high >> 1;
			if (edges[middle] <= edge) low = middle + 1; else high = middle;
		}
		return low;
	}

	// The last event by now that wrote a byte of a unit's memory; -1: none.
	lastWrite(unit, offset) {
		const { events } = this;
		let i = this.moment;
		while (i-- > 0) {
			if (events.offset[i] === offset && events.goal[i] === unit * 4 + 1 && this.isShown(i)) break;
		}
		return i;
	}

	// How many frames were sent before an event.
	frameOf(event) {
		return event - this.events.others.filter((other) => other < event).length;
	}

	// The instruction that made an event's store, if known.
	instruction(event) {
		const { events, origins, facts } = this, frame = this.frameOf(event);
		if (!origins.length || events.fate[event] === SPURIOUS) return undefined;
		// The low bytes of all frames, then any high ones.
		return facts.instructions[origins[frame] + (origins[facts.frames + frame] ?? 0) * 256];
	}
}

// Open what a page holds: the facts' length, the facts, fates, origins; and the trace.
async function openPage(packedFacts, packedTrace) {
	const [packed, trace] = await Promise.all([inflate(packedFacts), inflate(packedTrace)]);
	const stop = 4 + new DataView(packed.buffer).getUint32(0, true);
	const facts = JSON.parse(new TextDecoder().decode(packed.subarray(4, stop)));
	const begin = stop + facts.fates_bytes;
	return new Recording(facts, trace, packed.subarray(stop, begin), packed.subarray(begin));
}
