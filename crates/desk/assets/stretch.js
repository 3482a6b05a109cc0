// Which part of the lap is shown, and what the columns say there. Pure functions: columns in, columns out.
//
// A lap is closed: a stretch may run over the line. Places along the track are therefore `u` [m], the abscissa unrolled:
// u = s within the lap, u = s + length after the line, u = s - length before it.

/** @typedef {{from: number, to: number}} Span a part of the track in unrolled metres, from < to */

/**
 * The stretch of an entry; one that ends before it starts runs over the line.
 * @param {{from_m: number, to_m: number}} entry
 * @param {number} lengthM of the lap
 * @returns {Span}
 */
export function stretchOf(entry, lengthM) {
  return { from: entry.from_m, to: entry.to_m >= entry.from_m ? entry.to_m : entry.to_m + lengthM };
}

/**
 * The stretch with a little before and after: a third of it, at least 40 m, and no more than a lap in all.
 * @param {Span} stretch
 * @param {number} lengthM
 * @returns {Span}
 */
export function withSurroundings(stretch, lengthM) {
  const room = (lengthM - (stretch.to - stretch.from)) / 2;
  const margin = Math.max(0, Math.min(room, Math.max(40, (stretch.to - stretch.from) / 3)));
  return { from: stretch.from - margin, to: stretch.to + margin };
}

/**
 * The nodes of a window: their place `u`, their index, and in which lap of the unrolling they lie (-1, 0, 1).
 * @param {number[]} s nodes of the lap [m], the last one is the line again
 * @param {Span} window
 * @returns {{u: number[], index: number[], lap: number[]}}
 */
export function nodes(s, window) {
  const last = s.length - 1;
  const lengthM = s[last];
  const u = [];
  const index = [];
  const lap = [];
  const slack = 1e-6;
  for (let k = Math.floor(window.from / lengthM); k <= Math.floor(window.to / lengthM); k++) {
    for (let i = 0; i <= last; i++) {
      const at = s[i] + k * lengthM;
      if (at < window.from - slack || at > window.to + slack) continue;
      if (u.length > 0 && at - u[u.length - 1] < slack) continue; // The line is the end of one lap and the start of the next.
      u.push(at);
      index.push(i);
      lap.push(k);
    }
  }
  return { u, index, lap };
}

/**
 * A column at the nodes of a window; null stays null, and so does a missing column.
 * @param {(number | null)[] | null | undefined} column
 * @param {{index: number[]}} picked
 * @returns {(number | null)[] | null}
 */
export function pick(column, picked) {
  return column ? picked.index.map((i) => column[i]) : null;
}

/**
 * The running gap at the nodes of a window, continuous over the line, where each lap adds the whole gap.
 * @param {(number | null)[]} gap at the nodes of the lap [s]
 * @param {{index: number[], lap: number[]}} picked
 * @returns {(number | null)[]}
 */
export function pickGap(gap, picked) {
  const whole = gap[gap.length - 1] ?? 0;
  return picked.index.map((i, j) => (gap[i] === null ? null : gap[i] + picked.lap[j] * whole));
}

/**
 * A place as abscissa and lap: the line at the end of a lap belongs to that lap, with all its time.
 * @param {number} u
 * @param {number} lengthM
 * @returns {{s: number, lap: number}} 0 <= s <= length
 */
export function placeAt(u, lengthM) {
  const lap = u > 0 ? Math.ceil(u / lengthM) - 1 : Math.floor(u / lengthM);
  return { s: u - lap * lengthM, lap };
}

/**
 * Something that runs on from lap to lap, such as time and gap, between its nodes.
 * @param {number[]} s
 * @param {(number | null)[]} column
 * @param {number} u
 * @returns {number | null}
 */
export function runningAt(s, column, u) {
  const place = placeAt(u, s[s.length - 1]);
  const value = valueAt(s, column, place.s);
  return value === null ? null : value + place.lap * (column[column.length - 1] ?? 0);
}

/**
 * A place on the lap, 0 <= s < length.
 * @param {number} u
 * @param {number} lengthM
 * @returns {number}
 */
export function wrapped(u, lengthM) {
  return ((u % lengthM) + lengthM) % lengthM;
}

/**
 * A column between its nodes, linear; null where a neighbour is missing.
 * @param {number[]} s
 * @param {(number | null)[] | null | undefined} column
 * @param {number} at [m], within the lap
 * @returns {number | null}
 */
export function valueAt(s, column, at) {
  if (!column) return null;
  let low = 0;
  let high = s.length - 1;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (s[middle] <= at) low = middle;
    else high = middle;
  }
  const [a, b] = [column[low], column[high]];
  if (a === null || a === undefined || b === null || b === undefined) return null;
  const share = s[high] > s[low] ? (at - s[low]) / (s[high] - s[low]) : 0;
  return a + Math.min(1, Math.max(0, share)) * (b - a);
}

/**
 * All places of one abscissa inside a window; mostly one, none when outside.
 * @param {number} s
 * @param {Span} window
 * @param {number} lengthM
 * @returns {number[]}
 */
export function placesIn(s, window, lengthM) {
  const places = [];
  for (let u = s + Math.ceil((window.from - s) / lengthM) * lengthM; u <= window.to; u += lengthM) places.push(u);
  return places;
}

/**
 * The parts of a stretch inside a window; two when it runs over the line of a whole lap.
 * @param {Span} stretch
 * @param {Span} window
 * @param {number} lengthM
 * @returns {Span[]}
 */
export function partsIn(stretch, window, lengthM) {
  const parts = [];
  for (const shift of [-lengthM, 0, lengthM]) {
    const from = Math.max(window.from, stretch.from + shift);
    const to = Math.min(window.to, stretch.to + shift);
    if (to > from) parts.push({ from, to });
  }
  return parts;
}
