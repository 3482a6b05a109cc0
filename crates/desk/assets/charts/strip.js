// One channel of both laps over the track, drawn on canvas.
//
// Data contract: `u` ascending places [m]; every series has a value or null for each place, null leaves a gap. The range
// of the axis is given, so that marks can be laid over the drawing without asking it.

import { html, useEffect, useRef } from '../view.js';
import uPlot from '../vendor/uplot.mjs';
import { number } from '../units.js';

/** Room of the drawing's sides [px]: the axis stands in the gutter on the left. */
export const EDGE = { gutter: 52, right: 12, top: 6, bottom: 6 };

/** Dashes of the reference [px], the same everywhere. */
export const DASH = [7, 4];

/**
 * A range that holds all values with a little room, at least `least` wide.
 * @param {(number | null)[][]} columns
 * @param {number} least
 * @param {number[]} [include] values that must be inside
 * @returns {[number, number]}
 */
export function rangeOf(columns, least, include = []) {
  let low = Infinity;
  let high = -Infinity;
  for (const column of [...columns, include]) {
    for (const value of column) {
      if (value === null || !Number.isFinite(value)) continue;
      low = Math.min(low, value);
      high = Math.max(high, value);
    }
  }
  if (low > high) return [0, least];
  const missing = Math.max(0, least - (high - low)) / 2;
  const room = Math.max(high - low, least) * 0.08;
  return [low - missing - room, high + missing + room];
}

/** Position of a value between top and bottom of a strip [px]. */
export const yOf = (value, range, height) =>
  EDGE.top + (1 - (value - range[0]) / (range[1] - range[0])) * (height - EDGE.top - EDGE.bottom);

/** Position of a place between left and right of a strip [px]. */
export const xOf = (u, window, width) =>
  EDGE.gutter + ((u - window.from) / (window.to - window.from)) * (width - EDGE.gutter - EDGE.right);

/**
 * @param {object} props
 * @param {number} props.width
 * @param {number} props.height
 * @param {{from: number, to: number}} props.window
 * @param {number[]} props.u
 * @param {{of: 'lap' | 'reference' | 'gap', values: (number | null)[]}[]} props.series in display units
 * @param {[number, number]} props.range
 * @param {number[]} [props.ticks] fixed ticks; else found from the range
 * @param {number} [props.digits] of the tick labels
 * @param {boolean} [props.signed] tick labels with a plus
 * @param {Record<string, string>} props.colours
 */
export function Strip({ width, height, window: span, u, series, range, ticks, digits, signed, colours }) {
  const place = useRef(null);
  useEffect(() => {
    if (width < EDGE.gutter + 40) return undefined;
    const lines = [];
    for (const { of } of series) {
      const line = { points: { show: false }, spanGaps: false };
      if (of === 'lap') lines.push({ ...line, stroke: colours.lap, width: 2 });
      else if (of === 'gap') lines.push({ ...line, stroke: colours.ink, width: 1.75 });
      else {
        // The orange is too light on paper to be seen well alone: the same dashes in a dark shade give it an edge.
        lines.push({ ...line, stroke: colours.edge, width: 3.25, dash: DASH, cap: 'butt' });
        lines.push({ ...line, stroke: colours.reference, width: 2.25, dash: DASH, cap: 'butt' });
      }
    }
    const columns = series.flatMap(({ of, values }) => (of === 'reference' ? [values, values] : [values]));
    const axis = {
      stroke: colours.soft,
      font: `12px ${getComputedStyle(document.body).fontFamily}`,
      size: EDGE.gutter,
      gap: 6,
      space: 18,
      grid: { stroke: colours.rule, width: 1 },
      ticks: { show: false },
      values: (_, splits) => splits.map((v) => number(v, digits ?? tickDigits(splits), { sign: signed })),
    };
    if (ticks) axis.splits = () => ticks;
    const chart = new uPlot(
      {
        width,
        height,
        padding: [EDGE.top, EDGE.right, EDGE.bottom, 0],
        cursor: { show: false },
        legend: { show: false },
        select: { show: false },
        scales: { x: { time: false, range: () => [span.from, span.to] }, y: { range: () => range } },
        axes: [{ show: false }, axis],
        series: [{}, ...lines],
      },
      [u, ...columns],
      place.current,
    );
    return () => chart.destroy();
  }, [width, height, span.from, span.to, u, series, range[0], range[1], digits, colours]);
  return html`<div class="strip-canvas" ref=${place} style=${{ height: `${height}px` }} aria-hidden="true"></div>`;
}

/** Decimals that tell neighbouring ticks apart. */
function tickDigits(splits) {
  if (splits.length < 2) return 0;
  const step = Math.abs(splits[1] - splits[0]);
  const exact = [0, 1, 2, 3].find((digits) => Math.abs(step * 10 ** digits - Math.round(step * 10 ** digits)) < 1e-6);
  return exact ?? 4;
}
