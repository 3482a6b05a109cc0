// The ruler of the track: distance, and where each corner has its turn-in, apex and exit.

import { html, useMemo } from '../view.js';
import { show, shown } from '../units.js';
import { placesIn, wrapped } from '../stretch.js';
import { EDGE, xOf } from './strip.js';

const ROW = 15; // Height of a row of labels [px].
const CHARACTER = 6.6; // Width of a character at the ruler's size, on the safe side [px].

/** Round steps: 1, 2 or 5 times a power of ten. */
function step(range, count) {
  const rough = range / Math.max(1, count);
  const power = 10 ** Math.floor(Math.log10(rough));
  return [1, 2, 5, 10].map((f) => f * power).find((s) => s >= rough) ?? rough;
}

/**
 * Ticks of the corners inside a window, from left to right.
 * @param {any[]} corners
 * @param {{from: number, to: number}} window
 * @param {number} lengthM
 * @param {boolean} brief only the names, for a whole lap
 * @returns {{u: number, text: string, kind: string}[]}
 */
export function cornerTicks(corners, window, lengthM, brief) {
  const ticks = [];
  for (const corner of corners) {
    for (const u of placesIn(corner.apex_m, window, lengthM)) ticks.push({ u, text: brief ? corner.name : `${corner.name} apex`, kind: 'apex' });
    for (const u of placesIn(corner.turn_in_m, window, lengthM)) ticks.push({ u, text: brief ? '' : `${corner.name} turn-in`, kind: 'turn-in' });
    for (const u of placesIn(corner.exit_m, window, lengthM)) ticks.push({ u, text: brief ? '' : `${corner.name} exit`, kind: 'exit' });
  }
  return ticks.sort((a, b) => a.u - b.u);
}

/** Lays labels into rows so that none covers another; returns the row of each. */
function laidOut(ticks, window, width) {
  const ends = [];
  const placed = [];
  for (const tick of ticks) {
    const x = xOf(tick.u, window, width);
    if (tick.text === '') {
      placed.push({ ...tick, x, row: -1 });
      continue;
    }
    const half = (tick.text.length * CHARACTER) / 2;
    const middle = Math.min(width - half, Math.max(half, x));
    let row = ends.findIndex((end) => middle - half > end + 6);
    if (row < 0) row = ends.length;
    ends[row] = middle + half;
    placed.push({ ...tick, x, middle, row });
  }
  return { placed, rows: ends.length };
}

/**
 * @param {{width: number, window: {from: number, to: number}, corners: any[], lengthM: number, brief: boolean, system: import('../units.js').System}} props
 */
export function Ruler({ width, window: span, corners, lengthM, brief, system }) {
  const { placed, rows } = useMemo(
    () => laidOut(cornerTicks(corners, span, lengthM, brief), span, width),
    [corners, span.from, span.to, lengthM, brief, width],
  );
  const { factor } = shown('distance', system);
  const distances = useMemo(() => {
    const every = step((span.to - span.from) * factor, (width - EDGE.gutter) / 90) / factor;
    // Counted from the line in each lap, so that they stay round beyond it.
    const found = [];
    for (let d = 0; d < lengthM - every / 3; d += every) found.push(...placesIn(d, span, lengthM));
    return found.sort((a, b) => a - b);
  }, [span.from, span.to, factor, width, lengthM]);
  if (width === 0) return null;
  const top = 30;
  const height = top + rows * ROW + 4;
  return html`<svg class="ruler" width=${width} height=${height} viewBox=${`0 0 ${width} ${height}`} aria-hidden="true">
    <line class="base" x1=${EDGE.gutter} y1="1" x2=${width - EDGE.right} y2="1" />
    ${distances.map((u) => {
      const x = xOf(u, span, width);
      const text = show(wrapped(u, lengthM), 'distance', system, { bare: true });
      return html`<line class="base" x1=${x} x2=${x} y1="1" y2="6" />
        <text class="distance" x=${Math.min(width - 14, x)} y="19" text-anchor="middle">${text}</text>`;
    })}
    <text class="distance" x="0" y="19">${shown('distance', system).unit}</text>
    ${placed.map((tick) => html`<line class=${`corner ${tick.kind}`} x1=${tick.x} x2=${tick.x} y1=${tick.row < 0 ? 1 : 24} y2=${tick.row < 0 ? 8 : top - 3 + tick.row * ROW} />`)}
    ${placed.filter((tick) => tick.row >= 0).map(
      (tick) => html`<text class="corner-name" x=${tick.middle} y=${top + 7 + tick.row * ROW} text-anchor="middle">${tick.text}</text>`,
    )}
  </svg>`;
}
