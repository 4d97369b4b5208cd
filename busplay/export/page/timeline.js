/* The time line: link use, changes, errors, keys and marks over a stretch of the recording.

   Each has a row and a shape of its own, so that nothing depends on colour. */
const ROW_PX = 26, COLUMN_PX = 3, LEAST_CYCLES = 64;

class TimeLine {
  // `seek` is called with a cycle.
  constructor(canvas, recording, seek) {
    Object.assign(this, { canvas, recording, seek, pointers: new Map() });
    this.end = recording.facts.time.end_cycle;
    this.all();
    canvas.addEventListener("pointerdown", (event) => {
      canvas.setPointerCapture(event.pointerId);
      this.point(event);
    });
    canvas.addEventListener("pointermove", (event) => {
      if (this.pointers.has(event.pointerId)) this.point(event);
    });
    for (const name of ["pointerup", "pointercancel"]) {
      canvas.addEventListener(name, (event) => this.pointers.delete(event.pointerId));
    }
    canvas.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.zoom(event.deltaY < 0 ? 0.8 : 1.25, this.cycleAt(event.offsetX));
    }, { passive: false });
  }

  all() {
    this.first = 0;
    this.span = Math.max(1, this.end);
    this.drawn = null;
  }

  zoom(factor, around) {
    const span = Math.min(Math.max(1, this.end), Math.max(LEAST_CYCLES, this.span * factor));
    const first = around - ((around - this.first) * span) / this.span;
    this.move(first, span);
  }

  move(first, span) {
    this.span = span;
    this.first = Math.max(0, Math.min(first, this.end - span));
    this.drawn = null;
    this.draw(this.cycle);
  }

  cycleAt(x) {
    return Math.round(this.first + (x / this.canvas.clientWidth) * this.span);
  }

  // One pointer seeks; two zoom and move.
  point(event) {
    const { pointers } = this, before = [...pointers.values()];
    pointers.set(event.pointerId, event.offsetX);
    const now = [...pointers.values()];
    if (now.length === 1) this.seek(this.cycleAt(event.offsetX));
    if (before.length === 2 && now.length === 2) {
      const wide = Math.max(8, Math.abs(now[0] - now[1]));
      this.zoom(Math.max(8, Math.abs(before[0] - before[1])) / wide, this.cycleAt(now[0]));
    }
  }

  // Keep a moment in view while it plays.
  follow(cycle) {
    if (cycle < this.first || cycle > this.first + this.span) {
      this.move(cycle - this.span / 2, this.span);
    }
  }

  draw(cycle) {
    this.cycle = cycle;
    const { canvas } = this, ratio = devicePixelRatio || 1;
    const width = canvas.clientWidth, height = 5 * ROW_PX;
    const view = [this.first, this.span, width, ratio, this.recording.ready].join();
    if (this.drawn !== view) {
      this.drawn = view;
      this.back = document.createElement("canvas");
      for (const one of [canvas, this.back]) {
        one.width = Math.max(1, width * ratio);
        one.height = height * ratio;
      }
      const pen = this.back.getContext("2d");
      pen.scale(ratio, ratio);
      this.drawRows(pen, width);
    }
    const pen = canvas.getContext("2d");
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.clearRect(0, 0, canvas.width, canvas.height);
    pen.drawImage(this.back, 0, 0);
    pen.scale(ratio, ratio);
    const x = ((cycle - this.first) / this.span) * width;
    pen.fillStyle = this.ink;
    pen.fillRect(Math.round(x) - 1, 0, 2, height);
  }

  drawRows(pen, width) {
    const { recording, first, span } = this, { facts } = recording;
    const { time } = facts, style = getComputedStyle(this.canvas);
    this.ink = style.color;
    const [bar, alarm] = ["--bar", "--alarm"].map((name) => style.getPropertyValue(name) || this.ink);
    const x = (cycle) => ((cycle - first) / span) * width;
    const count = Math.max(1, Math.floor(width / COLUMN_PX));
    const edgeAt = (cycle) => time.lead_edges + (cycle * time.edges) / time.cycles;
    const rows = [];
    let before = recording.eventsUpTo(edgeAt(first));
    for (let i = 0; i < count; i++) {
      const from = edgeAt(first + (span * i) / count), to = edgeAt(first + (span * (i + 1)) / count);
      const stop = recording.eventsUpTo(to);
      const slots = Math.max(1, (to - from) / time.slot_edges);
      rows.push([(stop - before) / slots, (recording.changes[stop] - recording.changes[before]) / slots,
        recording.errors[stop] - recording.errors[before]]);
      before = stop;
    }
    pen.font = "11px system-ui, sans-serif";
    ["link use", "changes", "errors", "keys", "marks"].forEach((name, row) => {
      const bottom = (row + 1) * ROW_PX - 1;
      pen.fillStyle = row === 2 ? alarm : row < 2 ? bar : this.ink;
      if (row < 2) {
        rows.forEach((parts, i) => {
          const part = Math.min(1, parts[row]), tall = part ? Math.max(1, part * (ROW_PX - 4)) : 0;
          const left = (i * width) / count, wide = width / count;
          // Changes are thin lines, link use is filled.
          pen.fillRect(left, bottom - tall, row ? 1 : wide, tall);
        });
      } else if (row === 2) {
        rows.forEach((parts, i) => { if (parts[2]) this.triangle(pen, (i * width) / count, bottom); });
      } else {
        const places = row === 3 ? facts.keys : facts.marks;
        for (const [cycle] of places) {
          if (cycle < first || cycle > first + span) continue;
          pen.fillRect(x(cycle), bottom - (row === 3 ? 10 : 18), 2, row === 3 ? 10 : 18);
          if (row === 4) pen.fillRect(x(cycle), bottom - 18, 8, 6);
        }
      }
      pen.fillStyle = this.ink;
      pen.fillRect(0, bottom, width, 1);
      pen.fillText(name, 4, bottom - ROW_PX + 14);
    });
  }

  triangle(pen, x, bottom) {
    pen.beginPath();
    pen.moveTo(x - 4, bottom);
    pen.lineTo(x + 4, bottom);
    pen.lineTo(x, bottom - 10);
    pen.fill();
  }
}
