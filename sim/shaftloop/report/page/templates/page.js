"use strict";
// Tables that sort, stretches that scroll by keyboard, and the recorded channels with zoom and cursor.
(() => {
  const PREFIX = { "µ": 1e-6, m: 1e-3, k: 1e3, M: 1e6 };
  const NUMBER = /^[^\d+\-.]{0,4}([+\-]?\d+(?:\.\d+)?(?:e[+\-]?\d+)?)\s*(?:([µmkM])(?=s\b|J\b|W\b|N\b|Hz\b|A\b|V\b))?/;
  const numberOf = (text) => {
    const found = NUMBER.exec(text.trim());
    return found ? Number(found[1]) * (PREFIX[found[2]] ?? 1) : null;
  };
  const compare = (one, other) => {
    const [a, b] = [numberOf(one), numberOf(other)];
    if (a !== null && b !== null) return a - b;
    if (a !== null || b !== null) return a === null ? 1 : -1;
    return one.localeCompare(other);
  };
  const sort = (head, place) => {
    const body = head.closest("table").tBodies[0];
    const down = head.getAttribute("aria-sort") === "ascending";
    const rows = [...body.rows].sort((x, y) => compare(x.cells[place].textContent, y.cells[place].textContent));
    for (const other of head.parentNode.cells) other.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    body.append(...(down ? rows.reverse() : rows));
  };
  for (const table of document.querySelectorAll("table")) {
    if (table.tBodies[0].rows.length < 3) continue;
    [...table.tHead.rows[0].cells].forEach((head, place) => {
      if (!head.textContent) return;
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = head.textContent;
      button.addEventListener("click", () => sort(head, place));
      head.replaceChildren(button);
    });
  }

  addEventListener("beforeprint", () => { for (const folded of document.querySelectorAll("details")) folded.open = true; });

  const scrollers = document.querySelectorAll(".scroll");
  const reach = () => {
    for (const box of scrollers) {
      if (box.scrollWidth > box.clientWidth) box.tabIndex = 0;
      else box.removeAttribute("tabindex");
    }
  };
  addEventListener("resize", reach);
  reach();

  const SVG = "http://www.w3.org/2000/svg";
  const put = (parent, tag, attributes, text) => {
    const made = parent instanceof SVGElement || tag === "svg" ? document.createElementNS(SVG, tag) : document.createElement(tag);
    for (const [key, value] of Object.entries(attributes ?? {})) made.setAttribute(key, value);
    if (text !== undefined) made.textContent = text;
    parent.append(made);
    return made;
  };
  const unpack = async (channel, points) => {
    const bytes = Uint8Array.from(atob(channel.data), (letter) => letter.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    const moved = new DataView(await new Response(stream).arrayBuffer());
    const values = new Float64Array(points);
    for (let i = 0, level = 0; i < points; i++) {
      level = (level + moved.getUint16(2 * i, true)) & 65535;
      values[i] = channel.low + ((channel.high - channel.low) * level) / 65535;
    }
    return values;
  };
  const ticks = (low, high, most) => {
    const raw = (high - low) / most, decade = 10 ** Math.floor(Math.log10(raw));
    const step = decade * [1, 2, 5, 10].find((factor) => factor * decade >= raw);
    const found = [], places = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    for (let i = Math.ceil(low / step); i * step <= high; i++) found.push([i * step, (i * step).toFixed(places)]);
    return found;
  };

  const LEFT = 64, RIGHT = 8, HEIGHT = 150, FOOT = 24;
  const explore = async (home, data) => {
    const last = data.points - 1, end = data.start + last * data.step;
    const view = { from: data.start, to: end, cursor: null };
    const bar = put(home, "div", { class: "bar" });
    const plots = put(home, "div", { tabindex: 0, role: "application", "aria-label": "Recorded channels over time: arrow keys move the cursor, plus and minus zoom" });
    const panels = [];
    for (const panel of data.panels) {
      const legend = put(plots, "div", { class: "legend" });
      const channels = [];
      for (const [i, channel] of panel.channels.entries()) {
        const button = put(legend, "button", { type: "button", "aria-pressed": channel.shown });
        put(button, "i", { class: `k${i % 8}` });
        button.append(channel.name);
        channels.push({ ...channel, kind: `k${i % 8}`, values: await unpack(channel, data.points), button, value: put(button, "b") });
        button.addEventListener("click", () => {
          channels[i].shown = !channels[i].shown;
          button.setAttribute("aria-pressed", channels[i].shown);
          draw();
        });
      }
      panels.push({ unit: panel.unit, channels, svg: put(plots, "svg", { "aria-hidden": true }) });
    }
    const place = (time) => Math.min(Math.max(Math.round((time - data.start) / data.step), 0), last);
    const width = () => Math.max(plots.clientWidth - LEFT - RIGHT, 50);
    const x = (time) => LEFT + ((time - view.from) / (view.to - view.from)) * width();
    const timeAt = (event) => view.from + ((event.clientX - plots.getBoundingClientRect().left - LEFT) / width()) * (view.to - view.from);

    const curve = (values, y) => {
      const first = Math.max(place(view.from) - 1, 0), beyond = Math.min(place(view.to) + 2, data.points);
      const bins = width() * 2, parts = [];
      const point = (i) => parts.push(`${x(data.start + i * data.step).toFixed(1)},${y(values[i]).toFixed(1)}`);
      if (beyond - first <= 2 * bins) {
        for (let i = first; i < beyond; i++) point(i);
      } else {
        for (let bin = 0; bin < bins; bin++) {
          const a = first + Math.floor(((beyond - first) * bin) / bins), b = first + Math.floor(((beyond - first) * (bin + 1)) / bins);
          let low = a, high = a;
          for (let i = a; i < b; i++) {
            if (values[i] < values[low]) low = i;
            if (values[i] > values[high]) high = i;
          }
          point(Math.min(low, high));
          if (low !== high) point(Math.max(low, high));
        }
      }
      return `M${parts.join("L")}`;
    };
    const range = (panel) => {
      let low = Infinity, high = -Infinity;
      for (const channel of panel.channels) {
        if (!channel.shown) continue;
        for (let i = place(view.from); i <= place(view.to); i++) {
          low = Math.min(low, channel.values[i]);
          high = Math.max(high, channel.values[i]);
        }
      }
      if (low > high) return [0, 1];
      const room = 0.06 * (high - low) || 0.5 * Math.abs(high) || 1;
      return [low - room, high + room];
    };
    const drawPanel = (panel, foot) => {
      const [low, high] = range(panel), tall = HEIGHT - 8;
      const y = (value) => 4 + (1 - (value - low) / (high - low)) * tall;
      const svg = panel.svg, right = LEFT + width();
      svg.replaceChildren();
      svg.setAttribute("height", HEIGHT + (foot ? FOOT : 4));
      for (const [value, text] of ticks(low, high, 4)) {
        put(svg, "line", { class: "rule", x1: LEFT, x2: right, y1: y(value), y2: y(value) });
        put(svg, "text", { x: LEFT - 6, y: y(value) + 4, "text-anchor": "end" }, text);
      }
      put(svg, "text", { x: 12, y: HEIGHT / 2, "text-anchor": "middle", transform: `rotate(-90 12 ${HEIGHT / 2})` }, panel.unit);
      for (const [time, text] of ticks(view.from, view.to, Math.max(width() / 90, 2))) {
        put(svg, "line", { class: "rule", x1: x(time), x2: x(time), y1: 4, y2: HEIGHT - 4 });
        if (foot) put(svg, "text", { x: x(time), y: HEIGHT + 14, "text-anchor": "middle" }, text);
      }
      if (foot) put(svg, "text", { x: right, y: HEIGHT + 14, "text-anchor": "end" }, "s");
      const inside = put(svg, "svg", { x: LEFT, y: 0, width: width(), height: HEIGHT, viewBox: `${LEFT} 0 ${width()} ${HEIGHT}` });
      for (const channel of panel.channels) if (channel.shown) put(inside, "path", { class: channel.kind, d: curve(channel.values, y) });
      if (view.cursor !== null) put(inside, "line", { class: "cursor", x1: x(view.cursor), x2: x(view.cursor), y1: 4, y2: HEIGHT - 4 });
      if (view.band) {
        const [a, b] = view.band.map(x);
        put(inside, "rect", { class: "band", x: Math.min(a, b), width: Math.abs(b - a), y: 4, height: tall });
      }
    };
    let due = false;
    const draw = () => {
      if (due) return;
      due = true;
      requestAnimationFrame(() => {
        due = false;
        panels.forEach((panel, i) => drawPanel(panel, i === panels.length - 1));
        for (const { channels } of panels) {
          for (const { value, values } of channels) value.textContent = view.cursor === null ? "" : values[place(view.cursor)].toPrecision(5);
        }
        said.textContent = view.cursor === null ? "" : `at ${(data.start + place(view.cursor) * data.step).toPrecision(6)} s`;
      });
    };
    const show = (from, to) => {
      const least = Math.min(8 * data.step, end - data.start), length = Math.min(Math.max(to - from, least), end - data.start);
      view.from = Math.min(Math.max(from, data.start), end - length);
      view.to = view.from + length;
      if (view.cursor !== null) view.cursor = Math.min(Math.max(view.cursor, view.from), view.to);
      draw();
    };
    const zoom = (factor) => {
      const middle = view.cursor ?? (view.from + view.to) / 2;
      show(middle - (middle - view.from) * factor, middle + (view.to - middle) * factor);
    };
    const pan = (share) => show(view.from + share * (view.to - view.from), view.to + share * (view.to - view.from));
    const move = (pixels) => {
      const step = Math.max(((view.to - view.from) / width()) * Math.abs(pixels), data.step) * Math.sign(pixels);
      const to = (view.cursor ?? (view.from + view.to) / 2) + step;
      view.cursor = Math.min(Math.max(to, data.start), end);
      if (view.cursor < view.from || view.cursor > view.to) pan(0.5 * Math.sign(pixels));
      else draw();
    };
    const whole = () => show(data.start, end);
    const actions = [["Zoom in", () => zoom(0.5)], ["Zoom out", () => zoom(2)], ["Earlier", () => pan(-0.5)], ["Later", () => pan(0.5)], ["Whole run", whole]];
    for (const [name, act] of actions) put(bar, "button", { type: "button" }, name).addEventListener("click", act);
    const said = put(bar, "output");
    const keys = {
      ArrowLeft: (e) => move(e.shiftKey ? -20 : -1), ArrowRight: (e) => move(e.shiftKey ? 20 : 1), "+": () => zoom(0.5), "=": () => zoom(0.5),
      "-": () => zoom(2), PageUp: () => pan(-0.5), PageDown: () => pan(0.5), Home: whole,
    };
    plots.addEventListener("keydown", (event) => {
      const act = event.target === plots && !event.ctrlKey && !event.metaKey && !event.altKey && keys[event.key];
      if (!act) return;
      event.preventDefault();
      act(event);
    });
    for (const { svg } of panels) {
      svg.addEventListener("pointerdown", (event) => {
        if (event.pointerType === "mouse" && event.button !== 0) return;
        svg.setPointerCapture(event.pointerId);
        view.band = [timeAt(event), timeAt(event)];
      });
      svg.addEventListener("pointermove", (event) => {
        view.cursor = Math.min(Math.max(timeAt(event), view.from), view.to);
        if (view.band) view.band[1] = view.cursor;
        draw();
      });
      svg.addEventListener("pointerup", () => {
        const band = view.band;
        view.band = null;
        if (band && Math.abs(x(band[0]) - x(band[1])) > 5) show(Math.min(...band), Math.max(...band));
        else draw();
      });
      svg.addEventListener("pointercancel", () => { view.band = null; draw(); });
      svg.addEventListener("dblclick", whole);
    }
    new ResizeObserver(draw).observe(plots);
    home.hidden = false;
    draw();
  };
  const home = document.getElementById("traces");
  if (home && "DecompressionStream" in window) explore(home, JSON.parse(document.getElementById("trace-data").textContent));
})();
