// The circuit as a drawing: thin borders, the driven lines, the stretch inked.
//
// Places are columns in metres, x to the right and y up as in ISO 8855 seen from above; the drawing keeps their
// proportions. All lengths inside the drawing are pixels.

import { html, useMemo } from '../view.js';
import { nodes, partsIn, placeAt, placesIn, valueAt, wrapped } from '../stretch.js';

/**
 * Fits places into a box.
 * @param {number[][]} xs
 * @param {number[][]} ys
 * @param {{width: number, height: number, margin: number}} box
 */
function fit(xs, ys, box) {
  let [left, right, low, high] = [Infinity, -Infinity, Infinity, -Infinity];
  xs.forEach((column, c) => {
    for (let i = 0; i < column.length; i++) {
      const [x, y] = [column[i], ys[c][i]];
      if (x === null || y === null) continue;
      left = Math.min(left, x);
      right = Math.max(right, x);
      low = Math.min(low, y);
      high = Math.max(high, y);
    }
  });
  const scale = Math.min((box.width - 2 * box.margin) / Math.max(right - left, 1), (box.height - 2 * box.margin) / Math.max(high - low, 1));
  const [cx, cy] = [(left + right) / 2, (low + high) / 2];
  return {
    scale,
    x: (x) => box.width / 2 + (x - cx) * scale,
    y: (y) => box.height / 2 - (y - cy) * scale,
  };
}

/** A path through places; a missing one lifts the pen. */
function path(xs, ys, indices, to) {
  let text = '';
  let down = false;
  for (const i of indices) {
    if (xs[i] === null || ys[i] === null || xs[i] === undefined) {
      down = false;
      continue;
    }
    text += `${down ? 'L' : 'M'}${to.x(xs[i]).toFixed(1)} ${to.y(ys[i]).toFixed(1)}`;
    down = true;
  }
  return text;
}

/** Width of a character of a label, and its height around the base line [px], on the safe side. */
const LABEL = { character: 6.6, above: 12, below: 3 };

/**
 * The room that a label takes.
 * @param {{x: number, y: number, anchor?: string}} place
 * @param {string} text
 */
function roomOf(place, text) {
  const long = text.length * LABEL.character;
  const left = place.anchor === 'start' ? place.x : place.anchor === 'end' ? place.x - long : place.x - long / 2;
  return { left, right: left + long, top: place.y - LABEL.above, bottom: place.y + LABEL.below };
}

const cover = (a, b) => a.left < b.right + 4 && a.right + 4 > b.left && a.top < b.bottom && a.bottom > b.top;

/** How many points of a drawn line lie in a room; the points are dense, so none means that the line passes by. */
const crossing = (room, points) =>
  points.filter(([x, y]) => x > room.left - 2 && x < room.right + 2 && y > room.top && y < room.bottom + 1).length;

/**
 * The place of a label: inside, over no other label, over as little of the lines as can be, the first ones preferred.
 * @param {any[]} places
 * @param {string} text
 * @param {any[]} taken rooms of other labels
 * @param {number[][]} points of the drawn lines
 * @param {{width: number, height: number}} box
 */
function bestPlace(places, text, taken, points, box) {
  let best = null;
  for (const place of places) {
    const room = roomOf(place, text);
    if (room.left < 0 || room.right > box.width || room.top < 0 || room.bottom > box.height) continue;
    if (taken.some((other) => cover(room, other))) continue;
    const crossed = crossing(room, points);
    if (best === null || crossed < best.crossed) best = { place, room, crossed };
  }
  return best;
}

const everything = (column) => column.map((_, i) => i);

/** Length at which a stretch can be seen in the drawing of the whole lap [px]. */
const SEEN_PX = 8;

/** Point and direction to the left of the circuit at `s`. */
function across(circuit, s, at) {
  const { x_m: xs, y_m: ys } = circuit.map;
  const lengthM = s[s.length - 1];
  const point = (u) => [valueAt(s, xs, wrapped(u, lengthM)), valueAt(s, ys, wrapped(u, lengthM))];
  const [a, b] = [point(at - 2), point(at + 2)];
  const long = Math.hypot(b[0] - a[0], b[1] - a[1]) || 1;
  return { point: point(at), left: [-(b[1] - a[1]) / long, (b[0] - a[0]) / long] };
}

/**
 * Whether the lap's line was recorded. Without positions the desk sends the centre line and no offset from it.
 * @param {any} lap
 */
export const positions = (lap) => Boolean(lap.x_m && lap.y_m) && (!lap.offset_m || lap.offset_m.some((n) => n !== null));

/**
 * The whole circuit, with the stretch inked and the corners named.
 * @param {{width: number, height: number, comparison: any, corners: any[], stretch: any, at: number, corner: string | null}} props
 */
export function CircuitMap({ width, height, comparison, corners, stretch, at, corner }) {
  const { circuit, s_m: s } = comparison;
  const lengthM = s[s.length - 1];
  const drawn = useMemo(() => {
    const { x_m: xs, y_m: ys } = circuit.map;
    const to = fit([xs], ys ? [ys] : [], { width, height, margin: 26 });
    // A short stretch is inked a little longer, so that it can be found in the whole lap.
    const missing = Math.max(0, SEEN_PX / to.scale - (stretch.to - stretch.from)) / 2;
    const seen = { from: stretch.from - missing, to: stretch.to + missing };
    const inked = partsIn(seen, { from: 0, to: lengthM }, lengthM).map((part) => path(xs, ys, nodes(s, part).index, to));
    const points = xs.map((x, i) => [to.x(x), to.y(ys[i])]);
    const names = [];
    const taken = [];
    for (const c of corners) {
      const { point, left } = across(circuit, s, c.apex_m);
      const side = c.direction === 'left' ? -1 : 1; // Outside of the corner, if there is room.
      const places = [15, -15, 19, -19, 26, -26].map((away) => ({
        x: to.x(point[0]) + side * left[0] * away,
        y: to.y(point[1]) - side * left[1] * away + 4,
      }));
      const found = bestPlace(places, c.name, taken, points, { width, height });
      if (found) taken.push(found.room);
      names.push({ name: c.name, ...(found?.place ?? places[0]) });
    }
    const start = across(circuit, s, 0);
    const ahead = [start.left[1], -start.left[0]];
    const px = (along, aside) => `${(to.x(start.point[0]) + ahead[0] * along + start.left[0] * aside).toFixed(1)} ${(to.y(start.point[1]) - ahead[1] * along - start.left[1] * aside).toFixed(1)}`;
    return {
      to,
      outline: path(xs, ys, everything(xs), to),
      inked,
      names,
      line: `M${px(0, -6)}L${px(0, 6)}`,
      arrow: `M${px(6, 9)}L${px(16, 9)}M${px(12, 12)}L${px(16, 9)}L${px(12, 6)}`,
    };
  }, [circuit, s, corners, stretch.from, stretch.to, width, height]);
  const here = placeAt(at, lengthM).s;
  const [x, y] = [valueAt(s, circuit.map.x_m, here), valueAt(s, circuit.map.y_m, here)];
  return html`<svg class="map circuit" width=${width} height=${height} viewBox=${`0 0 ${width} ${height}`} role="img" aria-label=${`${circuit.name}, the stretch inked`}>
    <path class="outline" d=${drawn.outline} />
    ${drawn.inked.map((d) => html`<path class="inked" d=${d} />`)}
    <path class="start" d=${drawn.line} /><path class="arrow" d=${drawn.arrow} />
    ${drawn.names.map((n) => html`<text class=${n.name === corner ? 'name is-chosen' : 'name'} x=${n.x} y=${n.y} text-anchor="middle">${n.name}</text>`)}
    ${x !== null && html`<circle class="here" cx=${drawn.to.x(x)} cy=${drawn.to.y(y)} r="5" />`}
  </svg>`;
}

/** A round length that fits a bar of about 60 px. */
const barLength = (scale) => [200, 100, 50, 20, 10, 5].find((m) => m * scale <= 80) ?? 5;

/**
 * The lines driven on a part of the track: borders, both laps, the stretch inked, ticks at turn-in, apex and exit.
 * @param {{width: number, height: number, comparison: any, corners: any[], stretch: any, window: any, at: number, system: string}} props
 */
export function LinesMap({ width, height, comparison, corners, stretch, window: span, at, system }) {
  const { circuit, s_m: s, lap, reference } = comparison;
  const lengthM = s[s.length - 1];
  const drawn = useMemo(() => {
    const index = nodes(s, span).index;
    const { borders } = circuit;
    const sides = borders ? [[borders.left_x_m, borders.left_y_m], [borders.right_x_m, borders.right_y_m]] : [];
    const driven = [lap, reference].filter(positions);
    const box = [...sides, ...(driven.length > 0 ? driven.map((l) => [l.x_m, l.y_m]) : [[circuit.map.x_m, circuit.map.y_m]])];
    const of = (column) => index.map((i) => column[i]);
    const to = fit(box.map((b) => of(b[0])), box.map((b) => of(b[1])), { width, height, margin: 18 });
    const inside = nodes(s, stretch).index;
    const half = 8;
    const ticks = [];
    for (const c of corners) {
      for (const [text, place] of [['turn-in', c.turn_in_m], ['apex', c.apex_m], ['exit', c.exit_m]]) {
        if (placesIn(place, span, lengthM).length === 0) continue;
        const { point, left } = across(circuit, s, place);
        const side = c.direction === 'left' ? -1 : 1; // Labels stand outside of the corner, if there is room.
        const [px, py] = [to.x(point[0]), to.y(point[1])];
        const reach = half * to.scale;
        const end = (f) => `${(px + left[0] * f).toFixed(1)} ${(py - left[1] * f).toFixed(1)}`;
        const beside = (away) => {
          const off = Math.sign(away) * reach + away;
          const aside = left[0] * Math.sign(away);
          return { x: px + left[0] * off, y: py - left[1] * off + 4, anchor: Math.abs(aside) < 0.35 ? 'middle' : aside > 0 ? 'start' : 'end' };
        };
        ticks.push({ d: `M${end(-reach)}L${end(reach)}`, text: `${c.name} ${text}`, places: [10, -10, 20, -20].map((away) => beside(side * away)) });
      }
    }
    const band = sides.length === 2
      ? `${path(sides[0][0], sides[0][1], inside, to)}${path(sides[1][0], sides[1][1], [...inside].reverse(), to).replace('M', 'L')}Z`
      : '';
    return {
      to,
      borders: sides.map(([x, y]) => path(x, y, index, to)),
      inkedBorders: sides.map(([x, y]) => path(x, y, inside, to)),
      road: sides.length > 0 ? '' : path(circuit.map.x_m, circuit.map.y_m, inside, to),
      band,
      lap: positions(lap) ? path(lap.x_m, lap.y_m, index, to) : '',
      reference: positions(reference) ? path(reference.x_m, reference.y_m, index, to) : '',
      ticks: keepApart(ticks, [...driven.map((l) => [l.x_m, l.y_m]), ...sides].flatMap(([x, y]) => index.map((i) => [to.x(x[i]), to.y(y[i])])), width, height),
      bar: barLength(to.scale),
    };
  }, [comparison, corners, span.from, span.to, stretch.from, stretch.to, width, height]);
  const here = placeAt(at, lengthM).s;
  const dot = (of) => {
    const [x, y] = [valueAt(s, of.x_m, here), valueAt(s, of.y_m, here)];
    return x === null || y === null || !positions(of) ? null : { x: drawn.to.x(x), y: drawn.to.y(y) };
  };
  const [a, b] = [dot(lap), dot(reference)];
  const imperial = system === 'imperial';
  const barPx = drawn.bar * (imperial ? 0.9144 : 1) * drawn.to.scale;
  return html`<svg class="map lines" width=${width} height=${height} viewBox=${`0 0 ${width} ${height}`} role="img" aria-label="The lines driven: this lap solid, the reference dashed">
    <path class="band" d=${drawn.band} /><path class="road" d=${drawn.road} />
    ${drawn.ticks.map((t) => html`<path class="tick" d=${t.d} />`)}
    ${drawn.borders.map((d) => html`<path class="border" d=${d} />`)}
    ${drawn.inkedBorders.map((d) => html`<path class="inked" d=${d} />`)}
    <path class="edge" d=${drawn.reference} /><path class="reference" d=${drawn.reference} />
    <path class="lap" d=${drawn.lap} />
    ${drawn.ticks.map((t) => t.text && html`<text class="name" x=${t.x} y=${t.y} text-anchor=${t.anchor}>${t.text}</text>`)}
    ${b && html`<circle class="dot reference" cx=${b.x} cy=${b.y} r="5" />`}
    ${a && html`<circle class="dot lap" cx=${a.x} cy=${a.y} r="5" />`}
    <path class="scale" d=${`M8 ${height - 12}v4h${barPx.toFixed(1)}v-4`} />
    <text class="name" x=${14 + barPx} y=${height - 7}>${imperial ? `${drawn.bar} yd` : `${drawn.bar} m`}</text>
  </svg>`;
}

/** Gives each tick a place for its label, or none; the apex goes first. The scale keeps its corner. */
function keepApart(ticks, points, width, height) {
  const taken = [];
  const order = [...ticks].sort((a, b) => Number(b.text.endsWith('apex')) - Number(a.text.endsWith('apex')));
  for (const tick of order) {
    const found = bestPlace(tick.places, tick.text, taken, points, { width, height: height - 18 });
    if (found) taken.push(found.room);
    Object.assign(tick, found?.place ?? { text: '' });
  }
  return ticks;
}
