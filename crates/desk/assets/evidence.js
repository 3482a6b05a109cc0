// What an entry rests on: the stretch of track, both laps over it, one cursor through all.

import { html, useCallback, useEffect, useMedia, useMemo, useRef, useState, useWidth } from './view.js';
import { account as figure, number, show, shown, useUnits } from './units.js';
import { LineSample, phaseWord, unbroken } from './parts.js';
import { nodes, partsIn, pick, pickGap, stretchOf, valueAt, withSurroundings, wrapped } from './stretch.js';
import { EDGE, Strip, rangeOf, xOf, yOf } from './charts/strip.js';
import { Ruler, cornerTicks } from './charts/ruler.js';
import { CircuitMap, LinesMap } from './charts/map.js';

/** The channels that are drawn, from top to bottom; `least` is the least range of the axis in display units. */
const CHANNELS = [
  { key: 'speed', column: 'speed_mps', name: 'Speed', quantity: 'speed', height: 108, least: 10 },
  { key: 'brake', column: 'brake', name: 'Brake', quantity: 'share', height: 50, range: [-6, 106], ticks: [0, 50, 100] },
  { key: 'throttle', column: 'throttle', name: 'Throttle', quantity: 'share', height: 50, range: [-6, 106], ticks: [0, 50, 100] },
  { key: 'steering', column: 'steering_wheel_angle_rad', name: 'Steering', quantity: 'angle', height: 72, least: 20, include: [0], note: 'left is up', signed: true },
];

/** Colours as the style sheet has them now; anew when day turns to night. */
function useColours() {
  const night = useMedia('(prefers-color-scheme: dark)');
  return useMemo(() => {
    const style = getComputedStyle(document.documentElement);
    const of = (name) => style.getPropertyValue(name).trim();
    return { ink: of('--ink'), soft: of('--soft'), rule: of('--rule'), lap: of('--lap'), reference: of('--reference'), edge: of('--reference-edge') };
  }, [night]);
}

/**
 * @param {{ledger: any, entry: any, comparison: any}} props
 */
export function Evidence({ ledger, entry, comparison }) {
  const [system] = useUnits();
  const [whole, setWhole] = useState(false);
  const { s_m: s } = comparison;
  const lengthM = s[s.length - 1];
  const stretch = useMemo(() => stretchOf(entry, lengthM), [entry, lengthM]);
  const span = useMemo(
    () => (whole ? { from: 0, to: lengthM } : withSurroundings(stretch, lengthM)),
    [whole, stretch, lengthM],
  );
  // The cursor begins where the stretch ends: there the running gap has taken in all of the entry.
  const [at, setAt] = useState(() => stretch.to);
  const go = useCallback(
    (u) => setAt(Math.min(span.to, Math.max(span.from, u))),
    [span.from, span.to],
  );
  useEffect(() => {
    // Keep the place when the window changes; a place over the line has another name in the whole lap.
    setAt((u) => {
      if (u >= span.from && u <= span.to) return u;
      return [u - lengthM, u + lengthM].find((v) => v >= span.from && v <= span.to) ?? (span.from + span.to) / 2;
    });
  }, [span.from, span.to, lengthM]);

  const missing = [!(comparison.lap.x_m && comparison.lap.y_m) && 'this lap', !(comparison.reference.x_m && comparison.reference.y_m) && 'the reference'].filter(Boolean);
  const title = [entry.corner, phaseWord(entry.phase)].filter(Boolean).join(', ');
  return html`<div class="evidence">
    <div class="evidence-head">
      <h3>${title} <span class="figure">${figure(entry.seconds)} s</span></h3>
      <div class="switch" role="group" aria-label="How much of the track is drawn">
        <button type="button" aria-pressed=${!whole} onClick=${() => setWhole(false)}>the stretch</button>
        <button type="button" aria-pressed=${whole} onClick=${() => setWhole(true)}>the whole lap</button>
      </div>
    </div>
    <p class="sentence-again">${unbroken(entry.sentence)}</p>
    <div class="upper">
      <${Maps} comparison=${comparison} corners=${ledger.corners} stretch=${stretch} window=${span} whole=${whole} at=${at} corner=${entry.corner} system=${system} />
      <${Values} comparison=${comparison} at=${at} stretch=${stretch} system=${system} />
    </div>
    ${missing.length > 0 && html`<p class="doubt">No positions were recorded for ${missing.join(' and ')}: no line is drawn for it on the map.</p>`}
    <${Strips} ledger=${ledger} entry=${entry} comparison=${comparison} stretch=${stretch} window=${span} whole=${whole} at=${at} go=${go} system=${system} />
  </div>`;
}

function Maps({ comparison, corners, stretch, window: span, whole, at, corner, system }) {
  const room = useRef(null);
  const width = useWidth(room);
  const gap = 8;
  const apart = width < 340;
  const first = apart ? width : Math.floor((width - gap) * 0.46);
  const second = apart ? width : width - gap - first;
  const height = Math.max(160, Math.min(240, Math.round(second * 0.84)));
  return html`<div class=${`maps ${apart ? 'apart' : ''}`} ref=${room}>
    ${width > 0 && html`<${CircuitMap} width=${first} height=${height} comparison=${comparison} corners=${corners} stretch=${stretch} at=${at} corner=${corner} />
      <${LinesMap} width=${second} height=${height} comparison=${comparison} corners=${whole ? [] : corners} stretch=${stretch} window=${span} at=${at} system=${system} />`}
  </div>`;
}

/** The values at the cursor. */
function Values({ comparison, at, stretch, system }) {
  const { s_m: s, lap, reference, gap_s: gap } = comparison;
  const lengthM = s[s.length - 1];
  const here = wrapped(at, lengthM);
  const rows = CHANNELS.map((c) => ({
    name: c.name,
    unit: shown(c.quantity, system).unit,
    values: [valueAt(s, lap[c.column], here), valueAt(s, reference[c.column], here)],
    write: (v, how) => show(v, c.quantity, system, { bare: true, ...how }),
  }));
  const gear = (of) => {
    const v = valueAt(s, of.gear, here);
    return v === null ? null : nearest(s, of.gear, here);
  };
  rows.push({ name: 'Gear', unit: '', values: [gear(lap), gear(reference)], write: (v, how) => show(v, 'count', system, how) });
  const time = [valueAt(s, lap.time_s, here), valueAt(s, reference.time_s, here)];
  const running = valueAt(s, gap, here);
  return html`<table class="values">
    <caption>At <span class="figure" id="cursor-place">${show(here, 'distance', system)}</span> from the line</caption>
    <thead><tr><td></td><th scope="col"><${LineSample} of="lap" /><span>this lap</span></th><th scope="col"><${LineSample} of="reference" /><span>reference</span></th><th scope="col"><span>difference</span></th></tr></thead>
    <tbody>
      ${rows.map(({ name, unit, values: [a, b], write }) => html`<tr key=${name}>
        <th scope="row">${name}${unit && html` <span class="unit">${unit}</span>`}</th>
        ${a === null && b === null
          ? html`<td colspan="3" class="none">not recorded</td>`
          : html`<td class="figure">${write(a)}</td><td class="figure">${write(b)}</td>
            <td class="figure">${a === null || b === null ? '–' : write(a - b, { sign: true })}</td>`}
      </tr>`)}
      <tr class="time"><th scope="row">Time <span class="unit">s</span></th>
        <td class="figure">${time[0] === null ? '–' : number(time[0], 3)}</td><td class="figure">${time[1] === null ? '–' : number(time[1], 3)}</td>
        <td class="figure">${running === null ? '–' : figure(running)}</td></tr>
    </tbody>
  </table>`;
}

/** A column of steps is not interpolated. */
function nearest(s, column, at) {
  const spacing = s[1] - s[0];
  const best = Math.min(s.length - 1, Math.max(0, Math.round((at - s[0]) / spacing)));
  return column[best];
}

/**
 * Marks on the curves that the evidence of an entry names: `{marks: [{channel, of, at_m, text}]}`.
 * @param {any} evidence
 * @returns {{channel: string, of: string, at_m: number, text: string}[]}
 */
function marksOf(evidence) {
  const marks = Array.isArray(evidence?.marks) ? evidence.marks : [];
  return marks.filter((m) => Number.isFinite(m?.at_m) && typeof m.text === 'string' && typeof m.channel === 'string');
}

function Strips({ ledger, entry, comparison, stretch, window: span, whole, at, go, system }) {
  const room = useRef(null);
  const width = useWidth(room);
  const colours = useColours();
  const { s_m: s, lap, reference, gap_s: gap } = comparison;
  const lengthM = s[s.length - 1];
  const strips = useMemo(() => {
    const picked = nodes(s, span);
    const scaled = (column, factor) => pick(column, picked)?.map((v) => (v === null ? null : v * factor)) ?? null;
    const made = CHANNELS.map((c) => {
      const { factor, unit } = shown(c.quantity, system);
      const series = [['reference', reference], ['lap', lap]]
        .map(([of, from]) => ({ of, values: scaled(from[c.column], factor) }))
        .filter((line) => line.values !== null);
      const range = c.range ?? rangeOf(series.map((line) => line.values), c.least, c.include);
      return { ...c, unit, factor, u: picked.u, series, range };
    });
    const running = pickGap(gap, picked);
    made.push({ key: 'gap', name: 'Running gap', unit: 's', note: 'up is losing', height: 76, factor: 1, u: picked.u, signed: true,
      series: [{ of: 'gap', values: running }], range: rangeOf([running], 0.02) });
    return made;
  }, [comparison, span.from, span.to, system]);
  const marks = useMemo(() => {
    const given = marksOf(entry.evidence);
    // The gap gets its own mark where the stretch ends, with the number of the ledger.
    return [...given, { channel: 'gap', of: 'gap', at_m: stretch.to, text: `${figure(entry.seconds)} s here` }];
  }, [entry, stretch]);

  // One cursor: places come from the pointer over any strip, or from the keys.
  const follow = (event) => {
    const box = room.current.getBoundingClientRect();
    const share = (event.clientX - box.left - EDGE.gutter) / (width - EDGE.gutter - EDGE.right);
    go(span.from + share * (span.to - span.from));
  };
  const keys = (event) => {
    const node = s[1] - s[0];
    const big = Math.max(10 * node, (span.to - span.from) / 20);
    const by = { ArrowRight: node, ArrowLeft: -node, PageUp: big, PageDown: -big }[event.key];
    if (by !== undefined) go(at + by * (event.shiftKey && Math.abs(by) === node ? 10 : 1));
    else if (event.key === 'Home') go(span.from);
    else if (event.key === 'End') go(span.to);
    else return;
    event.preventDefault();
    event.stopPropagation();
  };
  const guides = useMemo(() => cornerTicks(ledger.corners, span, lengthM, whole), [ledger, span.from, span.to, lengthM, whole]);
  const x = xOf(at, span, width);
  const here = wrapped(at, lengthM);
  return html`<div class="strips" ref=${room} onPointerMove=${(e) => (e.pointerType === 'mouse' || e.buttons) && follow(e)} onPointerDown=${follow}>
    ${width > 0 && html`
      ${partsIn(stretch, span, lengthM).map((part) => {
        const left = xOf(part.from, span, width);
        return html`<div class="stretch-band" style=${{ left: `${left}px`, width: `${xOf(part.to, span, width) - left}px` }}></div>`;
      })}
      ${guides.map((tick) => html`<div class=${`guide ${tick.kind}`} style=${{ left: `${xOf(tick.u, span, width)}px` }}></div>`)}
      ${strips.map((strip) => html`<div class="strip" key=${strip.key} data-channel=${strip.key}>
        <p class="strip-name"><strong>${strip.name}</strong>${strip.unit && ` ${strip.unit}`}${strip.note ? html`<span class="note">, ${strip.note}</span>` : ''}</p>
        ${strip.series.length === 0
          ? html`<p class="none">Neither lap has this channel recorded.</p>`
          : html`<div class="plot">
              <${Strip} width=${width} height=${strip.height} window=${span} u=${strip.u} series=${strip.series} range=${strip.range} ticks=${strip.ticks} signed=${strip.signed} colours=${colours} />
              ${marks.filter((m) => m.channel === strip.key).map((m) => html`<${Mark} mark=${m} strip=${strip} window=${span} width=${width} lengthM=${lengthM} comparison=${comparison} />`)}
            </div>`}
      </div>`)}
      <${Ruler} width=${width} window=${span} corners=${ledger.corners} lengthM=${lengthM} brief=${whole} system=${system} />
      <div class="cursor" tabindex="0" role="slider" aria-label="Cursor along the track" aria-orientation="horizontal"
        aria-valuemin=${Math.round(span.from)} aria-valuemax=${Math.round(span.to)} aria-valuenow=${Math.round(at)}
        aria-valuetext=${`${show(here, 'distance', system)} from the line`}
        onKeyDown=${keys} style=${{ transform: `translateX(${x}px)` }}></div>`}
  </div>`;
}

/** A note on a curve: a small ring at the place, the words beside it. */
function Mark({ mark, strip, window: span, width, lengthM, comparison }) {
  const places = [mark.at_m - lengthM, mark.at_m, mark.at_m + lengthM].filter((u) => u >= span.from && u <= span.to);
  if (places.length === 0) return null;
  const u = places[0];
  const line = strip.series.find((l) => l.of === mark.of) ?? strip.series[strip.series.length - 1];
  const value = valueAt(strip.u, line.values, u);
  if (value === null) return null;
  const x = xOf(u, span, width);
  const y = yOf(value, strip.range, strip.height);
  const toLeft = x > width * 0.6;
  const low = y < strip.height / 2;
  const style = { [toLeft ? 'right' : 'left']: `${toLeft ? width - x + 9 : x + 9}px`, top: `${Math.min(strip.height - 20, Math.max(0, low ? y + 2 : y - 21))}px` };
  return html`<span class=${`ring ${mark.of}`} style=${{ left: `${x}px`, top: `${y}px` }}></span>
    <span class="mark" style=${style}>${mark.text}</span>`;
}
