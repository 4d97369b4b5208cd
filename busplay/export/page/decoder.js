"use strict";
/* Reads a recording in a browser: the trace's bytes to frames, frames to displays.

   How to think about it. The page holds the trace as it is, so whoever has the page has the trace.
   The browser inflates what the page packs; what is compressed within the trace is Zstandard, which
   few browsers take, so `Zstd` reads it. Which frames arrived was settled by busplay's one
   receiver; `facts` says where that differs from what was sent. So nothing is judged here, and a
   display does here what busplay/display does, write by write: the same vectors test both.

   Nothing here touches the document. */

// --- text to bytes -----------------------------------------------------------------------------

// Seven bits a character. Those in BARRED, which HTML or a terminal takes amiss, stand in one
// character of two bytes together with the seven bits that follow: see page_text.py.
const BARRED = [0, 7, 8, 11, 12, 13, 14, 15, 26, 27, 60, 127];
const PAIRS_FROM = 160;

function bytesOfText(text, length) {
  const out = new Uint8Array(length);
  let at = 0, held = 0, bits = 0;
  const put = (seven) => {
    held = (held << 7) | seven;
    bits += 7;
    if (bits >= 8) {
      bits -= 8;
      out[at++] = held >> bits;
      held &= (1 << bits) - 1;
    }
  };
  for (let i = 0; i < text.length; i++) {
    const code = text.charCodeAt(i);
    if (code < 128) {
      put(code);
    } else {
      put(BARRED[(code - PAIRS_FROM) >> 7]);
      put((code - PAIRS_FROM) & 127);
    }
  }
  return out;
}

async function inflate(bytes) {
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

// --- Zstandard (RFC 8878) ------------------------------------------------------------------------

const Zstd = (() => {
  // First value and count of extra bits of each code for literal and match lengths.
  const codes = (first, plain, extra) => {
    const rows = [];
    for (const bits of [...Array(plain).fill(0), ...extra]) {
      rows.push([first, bits]);
      first += 1 << bits;
    }
    return rows;
  };
  const LITERAL = codes(0, 16, [1, 1, 1, 1, 2, 2, 3, 3, 4, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16]);
  const MATCH = codes(3, 32, [1, 1, 1, 1, 2, 2, 3, 3, 4, 4, 5, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16]);

  // Spread symbols over the states of an FSE table; counts of -1 take one state at its end.
  const spread = (counts, log) => {
    const size = 1 << log;
    const symbol = new Uint8Array(size), bits = new Uint8Array(size), base = new Uint16Array(size);
    const next = counts.map((count) => Math.abs(count));
    let high = size - 1, at = 0;
    counts.forEach((count, s) => { if (count === -1) symbol[high--] = s; });
    counts.forEach((count, s) => {
      for (let i = 0; i < count; i++) {
        symbol[at] = s;
        do at = (at + (size >> 1) + (size >> 3) + 3) & (size - 1); while (at > high);
      }
    });
    for (let state = 0; state < size; state++) {
      const n = next[symbol[state]]++;
      bits[state] = log - (31 - Math.clz32(n));
      base[state] = (n << bits[state]) - size;
    }
    return { log, symbol, bits, base };
  };
  const ones = (count, ...first) => [...first, ...Array(count).fill(1)];
  const PREDEFINED = [
    spread([4, 3, ...Array(11).fill(2), 1, 1, 1, ...Array(9).fill(2), 3, 2, 1, 1, 1, 1, 1,
      -1, -1, -1, -1], 6),
    spread([...ones(0, 1, 1, 1, 1, 1, 1, 2, 2, 2), ...ones(15), -1, -1, -1, -1, -1], 5),
    spread([1, 4, 3, 2, 2, 2, 2, 2, 2, ...ones(37), -1, -1, -1, -1, -1, -1, -1], 6),
  ];

  // Read an FSE table's counts; returns the table and where it ends.
  const readTable = (src, start) => {
    let at = start * 8;
    const peek = (count) => {
      const i = at >> 3;
      return ((src[i] | (src[i + 1] << 8) | (src[i + 2] << 16)) >> (at & 7)) & ((1 << count) - 1);
    };
    const log = peek(4) + 5;
    at += 4;
    const counts = [];
    let left = (1 << log) + 1, half = 1 << log, width = log + 1;
    while (left > 1) {
      const few = 2 * half - 1 - left;
      let count = peek(width - 1);
      if (count < few) {
        at += width - 1;
      } else {
        count = peek(width);
        if (count >= half) count -= few;
        at += width;
      }
      counts.push(--count);
      left -= Math.abs(count);
      if (count === 0) {
        for (let zeros = 3; zeros === 3; at += 2) {
          zeros = peek(2);
          for (let i = 0; i < zeros; i++) counts.push(0);
        }
      }
      while (left < half) {
        width--;
        half >>= 1;
      }
    }
    return { table: spread(counts, log), end: (at + 7) >> 3 };
  };

  // Bits of a stream that is read from its end; behind its start there are zeros.
  class Backward {
    constructor(src, start, end) {
      this.src = src;
      this.start = start;
      this.left = (end - start) * 8 - (Math.clz32(src[end - 1]) - 23);
    }
    read(count) {
      if (count > 16) return this.read(count - 16) * 65536 + this.read(16);
      this.left -= count;
      const { src, left } = this;
      if (left < 0) {
        const rest = count + left;
        return rest <= 0 ? 0 : (this.at(src, 0) & ((1 << rest) - 1)) << -left;
      }
      return (this.at(src, left >> 3) >>> (left & 7)) & ((1 << count) - 1);
    }
    at(src, byte) {
      const i = this.start + byte;
      return src[i] | (src[i + 1] << 8) | (src[i + 2] << 16) | (src[i + 3] << 24);
    }
  }

  // Read a Huffman table: for each pattern of `log` bits, length << 8 | byte.
  const readHuffman = (src, at) => {
    const weights = [];
    let end = src[at++];
    if (end >= 128) {
      const count = end - 127;
      for (let i = 0; i < count; i++) weights.push((src[at + (i >> 1)] >> (i & 1 ? 0 : 4)) & 15);
      end = at + ((count + 1) >> 1);
    } else {
      end += at;
      const { table, end: begin } = readTable(src, at);
      const bits = new Backward(src, begin, end);
      let one = bits.read(table.log), other = bits.read(table.log);
      do {
        weights.push(table.symbol[one]);
        const next = table.base[one] + bits.read(table.bits[one]);
        one = other;
        other = next;
      } while (bits.left >= 0);
      weights.push(table.symbol[one]);
    }
    const sum = weights.reduce((all, weight) => all + ((1 << weight) >> 1), 0);
    const log = 32 - Math.clz32(sum);
    weights.push(32 - Math.clz32((1 << log) - sum));
    const table = new Uint16Array(1 << log);
    let filled = 0;
    for (let weight = 1; weight <= log; weight++) {
      weights.forEach((own, symbol) => {
        if (own !== weight) return;
        const next = filled + (1 << (weight - 1));
        table.fill(((log + 1 - weight) << 8) | symbol, filled, next);
        filled = next;
      });
    }
    return { huffman: { log, table }, end };
  };

  const readStream = (src, start, end, { log, table }, out, at, stop) => {
    let left = (end - start) * 8 - (Math.clz32(src[end - 1]) - 23);
    const mask = (1 << log) - 1;
    while (at < stop) {
      const low = left - log;
      const i = start + (low >> 3);
      const found = low >= 0
        ? table[((src[i] | (src[i + 1] << 8) | (src[i + 2] << 16)) >> (low & 7)) & mask]
        : table[((src[start] | (src[start + 1] << 8)) << -low) & mask];
      out[at++] = found;
      left -= found >> 8;
    }
  };

  // Read the literals of a block; returns them and where they end.
  const readLiterals = (src, at, state) => {
    const type = src[at] & 3, form = (src[at] >> 2) & 3;
    const head = src[at] + src[at + 1] * 256 + src[at + 2] * 65536 + src[at + 3] * 2 ** 24;
    if (type < 2) {
      const bytes = [1, 2, 1, 3][form];
      const size = (head % 256 ** bytes) / (bytes === 1 ? 8 : 16) | 0;
      at += bytes;
      return type === 0
        ? { literals: src.subarray(at, at + size), end: at + size }
        : { literals: new Uint8Array(size).fill(src[at]), end: at + 1 };
    }
    const width = 2 ** [10, 10, 14, 18][form];
    const whole = Math.floor((head + src[at + 4] * 2 ** 32) / 16);
    const size = whole % width, stored = Math.floor(whole / width) % width;
    at += [3, 3, 4, 5][form];
    const end = at + stored;
    if (type === 2) ({ huffman: state.huffman, end: at } = readHuffman(src, at));
    const literals = new Uint8Array(size);
    if (form === 0) {
      readStream(src, at, end, state.huffman, literals, 0, size);
    } else {
      const each = (size + 3) >> 2;
      let begin = at + 6;
      for (let i = 0; i < 4; i++) {
        const stop = i < 3 ? begin + src[at + 2 * i] + src[at + 2 * i + 1] * 256 : end;
        readStream(src, begin, stop, state.huffman, literals, i * each, Math.min(size, (i + 1) * each));
        begin = stop;
      }
    }
    return { literals, end };
  };

  const readBlock = (src, start, end, out, at, state) => {
    const found = readLiterals(src, start, state);
    const { literals } = found;
    let p = found.end, used = 0;
    let count = src[p++];
    if (count === 255) {
      count = src[p] + src[p + 1] * 256 + 0x7f00;
      p += 2;
    } else if (count > 127) {
      count = (count - 128) * 256 + src[p++];
    }
    if (count) {
      const modes = src[p++];
      for (let i = 0; i < 3; i++) {
        const mode = (modes >> (6 - 2 * i)) & 3;
        if (mode === 0) state.tables[i] = PREDEFINED[i];
        if (mode === 1) {
          state.tables[i] = { log: 0, symbol: [src[p++]], bits: [0], base: [0] };
        }
        if (mode === 2) ({ table: state.tables[i], end: p } = readTable(src, p));
      }
      const [lengths, offsets, matches] = state.tables, last = state.last;
      const bits = new Backward(src, p, end);
      let l = bits.read(lengths.log), o = bits.read(offsets.log), m = bits.read(matches.log);
      for (let i = 0; i < count; i++) {
        const code = offsets.symbol[o];
        const value = 2 ** code + bits.read(code);
        const match = MATCH[matches.symbol[m]], literal = LITERAL[lengths.symbol[l]];
        const length = match[0] + bits.read(match[1]);
        const before = literal[0] + bits.read(literal[1]);
        let offset = value - 3;
        if (value <= 3) {
          const which = value - 1 + (before === 0);
          offset = which === 3 ? last[0] - 1 : last[which];
          if (which > 1) last[2] = last[1];
          if (which > 0) last[1] = last[0];
        } else {
          last[2] = last[1];
          last[1] = last[0];
        }
        last[0] = offset;
        for (const stop = used + before; used < stop;) out[at++] = literals[used++];
        for (const stop = at + length; at < stop; at++) out[at] = out[at - offset];
        if (i + 1 < count) {
          l = lengths.base[l] + bits.read(lengths.bits[l]);
          m = matches.base[m] + bits.read(matches.bits[m]);
          o = offsets.base[o] + bits.read(offsets.bits[o]);
        }
      }
    }
    out.set(literals.subarray(used), at);
    return at + literals.length - used;
  };

  // Unpack one frame without a dictionary to `size` bytes.
  return (src, p, size) => {
    const head = src[p + 4], single = (head >> 5) & 1;
    p += 5 + (single ? 0 : 1) + [0, 1, 2, 4][head & 3] + [single, 2, 4, 8][head >> 6];
    const out = new Uint8Array(size);
    const state = { huffman: null, tables: [], last: [1, 4, 8] };
    for (let at = 0, is_last = 0; !is_last;) {
      const block = src[p] | (src[p + 1] << 8) | (src[p + 2] << 16), length = block >> 3;
      is_last = block & 1;
      p += 3;
      const kind = (block >> 1) & 3;
      if (kind === 1) {
        out.fill(src[p++], at, at += length);
      } else {
        if (kind === 0) out.set(src.subarray(p, p + length), at);
        at = kind === 0 ? at + length : readBlock(src, p, p + length, out, at, state);
        p += length;
      }
    }
    return out;
  };
})();

// --- trace to frames (traces/README.md) ----------------------------------------------------------

const COLUMN = { slots: 0, rest: 1, others: 3, address: 5, data: 6 };

// Fates of an event: as busplay.receiver.fifo.Fate; SPURIOUS was received but not sent so.
const SERVED = 0, SPURIOUS = 4;
const NO_UNIT = 0x3fff;

// The events of a recording: each frame sent, and each received that was not sent so.
class Events {
  constructor(facts) {
    const most = facts.frames + facts.spurious.length;
    this.facts = facts;
    this.count = 0;
    this.edge = new Float64Array(most);
    this.offset = new Uint32Array(most);
    this.goal = new Uint16Array(most); // index of the unit * 4 + space
    this.data = new Uint8Array(most);
    this.fate = new Uint8Array(most);
    this.sent = 0; // frames sent among them
    this.extra = 0; // spurious ones among them
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

  // Add the spurious ones that come before the next frame sent.
  addSpurious() {
    const { spurious } = this.facts;
    while (this.extra < spurious.length && spurious[this.extra][0] <= this.sent) {
      const [, edge, space, unit, offset, data] = spurious[this.extra++];
      this.add(edge, space, unit, offset, data, SPURIOUS);
    }
  }
}

// Yield after each frame chunk of a trace, its frames added to the events.
function* readFrames(trace, events, fates) {
  const { facts } = events;
  const view = new DataView(trace.buffer, trace.byteOffset, trace.length);
  for (let at = 12; events.sent < facts.frames;) {
    const kind = view.getUint32(at), length = view.getUint32(at + 4, true);
    if (kind === 0x46524d53) { // FRMS
      readChunk(trace, view, at + 8, events, fates);
      yield events.count;
    }
    at += 12 + length;
  }
  events.addSpurious();
}

function readChunk(trace, view, at, events, fates) {
  const { facts } = events;
  const count = view.getUint32(at, true);
  at += 44;
  // The edge "before" may lie before edge 0, modulo 2 ** 64.
  let edge = Number(view.getBigInt64(at, true)), address = Number(view.getBigUint64(at + 16, true));
  at += 24;
  const planes = [], firsts = [];
  const heads = at;
  at += 72;
  for (let column = 0; column < 8; column++) {
    const head = heads + 9 * column;
    firsts.push(trace.subarray(head, head + 8));
    planes.push([]);
    for (let plane = 0; plane < 8; plane++) {
      if (!((trace[head + 8] >> plane) & 1)) continue;
      const size = view.getUint32(at + 1, true);
      const wanted = Object.values(COLUMN).includes(column);
      if (wanted) {
        planes[column][plane] = trace[at] === 0
          ? trace.subarray(at + 5, at + 5 + size) : Zstd(trace, at + 5, count);
      }
      at += 5 + size;
    }
  }
  // A column's numbers; numbers above 2 ** 53 do not occur in what is used.
  const numbers = (column) => {
    const out = new Float64Array(count);
    for (let plane = 0; plane < 8; plane++) {
      const bytes = planes[column][plane], scale = 256 ** plane;
      const fixed = firsts[column][plane] * scale;
      if (bytes) for (let i = 0; i < count; i++) out[i] += bytes[i] * scale;
      else if (fixed) for (let i = 0; i < count; i++) out[i] += fixed;
    }
    return out;
  };
  // A field of the column `others`, from its bits there, the lowest first.
  const field = (name) => {
    const out = new Uint32Array(count), bits = facts.fields[name];
    if (!Array.isArray(bits)) return out.fill(bits);
    bits.forEach((bit, to) => {
      const bytes = planes[COLUMN.others][bit >> 3], fixed = firsts[COLUMN.others][bit >> 3];
      for (let i = 0; i < count; i++) out[i] |= (((bytes ? bytes[i] : fixed) >> (bit & 7)) & 1) << to;
    });
    return out;
  };
  const slots = numbers(COLUMN.slots), rest = numbers(COLUMN.rest), steps = numbers(COLUMN.address);
  const data = numbers(COLUMN.data), space = field("space"), unit = field("unit");
  const modulus = 2 ** facts.fields.address_bits, { column_edges: grid } = facts.time;
  for (let i = 0; i < count; i++) {
    events.addSpurious();
    edge += slots[i] * grid + rest[i];
    address = (address + steps[i]) % modulus;
    const fate = fates.length ? fates[events.sent] : SERVED;
    events.add(edge, space[i], unit[i], address, data[i], fate);
    events.sent++;
  }
}

// --- displays (busplay/display) ------------------------------------------------------------------

class Screen {
  constructor(unit) {
    this.unit = unit;
    this.memory = new Uint8Array(unit.memory_bytes);
    this.palette = new Uint8Array(unit.palette.flat());
    this.mask = (1 << unit.bits_per_pixel) - 1;
    // Base, its low byte, border, blank, palette index, red, green: see writes.py.
    const { base_offset: base } = unit;
    this.registers = [base, base & 255, unit.border_index & this.mask, 0, 0, 0, 0];
  }

  get base() { return this.registers[0]; }
  get border() { return this.registers[2]; }
  get blank() { return this.registers[3] === 1; }

  // Write one byte of a space; returns whether a byte of the memory changed.
  write(space, offset, data) {
    if (space === 2) {
      this.writeRegister(offset, data);
      return false;
    }
    if (offset >= this.memory.length) return false;
    const changed = this.memory[offset] !== data;
    this.memory[offset] = data;
    return changed;
  }

  writeRegister(offset, data) {
    const r = this.registers;
    if (offset === 0) r[1] = data;
    else if (offset === 1) r[0] = data * 256 + r[1];
    else if (offset === 2) r[2] = data & this.mask;
    else if (offset === 3) r[3] = data & 1;
    else if (offset === 4) r[4] = data & this.mask;
    else if (offset === 5) r[5] = data;
    else if (offset === 6) r[6] = data;
    else if (offset === 7) {
      this.palette.set([r[5], r[6], data], 3 * r[4]);
      r[4] = (r[4] + 1) & this.mask;
    }
  }

  save() {
    return [this.memory.slice(), this.palette.slice(), this.registers.slice()];
  }

  restore([memory, palette, registers]) {
    this.memory.set(memory);
    this.palette.set(palette);
    this.registers = registers.slice();
  }

  // The byte, and the shift within it, that hold a pixel.
  place(x, y) {
    const { bits_per_pixel: bits, stride_bytes: stride, high_first: high } = this.unit;
    const bit = (x * bits) & 7;
    const offset = (this.base + y * stride + ((x * bits) >> 3)) % this.memory.length;
    return { offset, shift: high ? 8 - bits - bit : bit };
  }

  colour(index) {
    return this.palette.subarray(3 * index, 3 * index + 3);
  }

  // Draw the picture with its border to 32-bit pixels of `width + 2 * border` columns.
  draw(pixels) {
    const { width_px: width, height_px: height, border_px: edge, bits_per_pixel: bits,
      stride_bytes: stride, high_first: high } = this.unit;
    const { memory, mask } = this, each = 8 / bits, row = width + 2 * edge;
    const colours = new Uint32Array(mask + 1);
    for (let i = 0; i <= mask; i++) {
      const [red, green, blue] = this.colour(i);
      colours[i] = red | (green << 8) | (blue << 16) | (255 << 24);
    }
    pixels.fill(colours[this.border]);
    if (this.blank) return;
    for (let y = 0; y < height; y++) {
      let offset = (this.base + y * stride) % memory.length;
      let at = (y + edge) * row + edge;
      for (let x = 0; x < width;) {
        const byte = memory[offset++];
        if (offset === memory.length) offset = 0;
        for (let i = 0; i < each && x < width; i++, x++) {
          pixels[at++] = colours[(byte >> (high ? 8 - bits * (i + 1) : bits * i)) & mask];
        }
      }
    }
  }
}

// --- a recording ---------------------------------------------------------------------------------

// Bytes of saved states, and the least events between two.
const SAVED_BYTES = 64e6, SAVED_EVENTS = 8192;

// A recording that can be at any moment: a count of events, in the order in which they were shown.
class Recording {
  // `facts` as facts.py makes them; `fates` and `origins` as bytes, or empty.
  constructor(facts, trace, fates, origins) {
    this.facts = facts;
    this.trace = trace;
    this.events = new Events(facts);
    this.origins = origins;
    this.screens = facts.units.map((unit) => new Screen(unit));
    this.moment = 0;
    this.ready = 0; // events that can be gone to
    const most = this.events.edge.length;
    // Sums before each event: changed bytes, and errors.
    this.changes = new Uint32Array(most + 1);
    this.errors = new Uint32Array(most + 1);
    const bytes = facts.units.reduce((sum, unit) => sum + unit.memory_bytes + 1024, 0);
    this.spacing = Math.max(SAVED_EVENTS, Math.ceil((most * bytes) / SAVED_BYTES));
    this.saved = [this.screens.map((screen) => screen.save())];
    this.chunks = readFrames(trace, this.events, fates);
    this.losses = new Map(facts.losses.map(([frame, missed, sender]) => [frame, missed + sender]));
  }

  // Read one more chunk; returns whether there is another.
  readMore() {
    const { done } = this.chunks.next();
    const { events, screens } = this;
    this.goTo(this.ready);
    for (let i = this.ready; i < events.count; i++) {
      if (i % this.spacing === 0 && i) this.saved[i / this.spacing] = screens.map((s) => s.save());
      const lost = events.fate[i] !== SERVED ? 1 : 0;
      this.changes[i + 1] = this.changes[i] + (this.apply(i) ? 1 : 0);
      this.errors[i + 1] = this.errors[i] + lost + (this.losses.get(i - events.extra) ?? 0);
    }
    this.moment = this.ready = events.count;
    return !done;
  }

  apply(i) {
    const { fate, goal, offset, data } = this.events;
    if (fate[i] !== SERVED && fate[i] !== SPURIOUS) return false;
    const screen = this.screens[goal[i] >> 2], space = goal[i] & 3;
    return screen && (space === 1 || space === 2) ? screen.write(space, offset[i], data[i]) : false;
  }

  // Go to the state after the first `moment` events.
  goTo(moment) {
    const nearest = Math.min(Math.floor(moment / this.spacing), this.saved.length - 1);
    if (moment < this.moment || this.moment < nearest * this.spacing) {
      this.screens.forEach((screen, i) => screen.restore(this.saved[nearest][i]));
      this.moment = nearest * this.spacing;
    }
    while (this.moment < moment) this.apply(this.moment++);
  }

  // The link edge up to which frames have begun when the processor reaches a cycle.
  startEdge(cycle) {
    const { edges, cycles, lead_edges: lead, grid_edges: grid } = this.facts.time;
    // Whole numbers beyond 2 ** 53: clocks need not divide each other.
    const top = BigInt(cycle) * BigInt(edges), bottom = BigInt(cycles);
    const edge = lead + Number((top + bottom - 1n) / bottom);
    return Math.ceil(edge / grid) * grid;
  }

  // The first cycle at which an event has been shown.
  cycleOfEvent(i) {
    const { edges, cycles, lead_edges: lead, grid_edges: grid, end_cycle: end } = this.facts.time;
    const before = Math.ceil(this.events.edge[i] / grid) * grid - grid - lead;
    if (before < 0) return 0;
    const cycle = Number((BigInt(before) * BigInt(cycles)) / BigInt(edges)) + 1;
    return Math.min(cycle, end);
  }

  // How many events have been shown at a cycle.
  momentOfCycle(cycle) {
    if (cycle >= this.facts.time.end_cycle) return this.ready;
    return this.eventsUpTo(this.startEdge(cycle));
  }

  eventsUpTo(edge) {
    const { edge: edges } = this.events;
    let low = 0, high = this.ready;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (edges[middle] <= edge) low = middle + 1; else high = middle;
    }
    return low;
  }

  // The last event before the moment that wrote a byte of a unit's memory; -1: none.
  lastWrite(unit, offset) {
    const { events } = this, goal = unit * 4 + 1;
    for (let i = this.moment - 1; i >= 0; i--) {
      if (events.offset[i] === offset && events.goal[i] === goal
        && (events.fate[i] === SERVED || events.fate[i] === SPURIOUS)) return i;
    }
    return -1;
  }

  // The instruction that made an event's store, as an index of facts.instructions; -1: not known.
  instruction(event) {
    const { events, origins } = this;
    if (!origins.length || events.fate[event] === SPURIOUS) return -1;
    // Origins are of the frames sent: the low bytes of all, then any high ones.
    let frame = event;
    if (events.extra) for (let i = 0; i < event; i++) frame -= events.fate[i] === SPURIOUS ? 1 : 0;
    return origins[frame] + (origins[this.facts.frames + frame] ?? 0) * 256;
  }
}

// Open what a page holds: a JSON of lengths and facts, then the bytes that it names.
async function openPage(packedFacts, packedTrace) {
  const [facts, trace] = await Promise.all([inflate(packedFacts), inflate(packedTrace)]);
  const length = new DataView(facts.buffer).getUint32(0, true);
  const read = JSON.parse(new TextDecoder().decode(facts.subarray(4, 4 + length)));
  const fates = facts.subarray(4 + length, 4 + length + read.fates_bytes);
  const origins = facts.subarray(4 + length + read.fates_bytes);
  return new Recording(read, trace, fates, origins);
}
