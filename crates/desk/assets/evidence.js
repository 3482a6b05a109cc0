// What an entry rests on: the stretch of track, both laps over it, one cursor through all.

import { html, useCallback, useEffect, useMedia, useMemo, useRef, useState, useWidth } from './view.js';
import { account as figure, number, show, shown, useUnits } from './units.js';
import { LineSample, fromLine, stretchName, unbroken } from './parts.js';
import { TOLD_BY, causeName, certaintyWords, evidenceOf, isCause, isExplained, ownerWord } from './causes.js';
import { marksOf, measured, rollsOf, sectionOf } from './marks.js';
import { nodes, partsIn, pick, pickGap, placeAt, runningAt, stretchOf, valueAt, withSurroundings } from './stretch.js';
import { EDGE, Strip, rangeOf, xOf, yOf } from './charts/strip.js';
import { Ruler, cornerTicks } from './charts/ruler.js';
import { CircuitMap, LinesMap, positions } from './charts/map.js';

/** The channels that are drawn, from top to bottom; `least` is the least range of the axis in display units. */
const CHANNELS = [
  { key: 'speed', column: 'speed_mps', name: 'Speed', quantity: 'speed', height: 108, least: 10 },
  { key: 'brake', column: 'brake', name: 'Brake', quantity: 'share', height: 50, range: [-6, 106], ticks: [0, 50, 100] },
  { key: 'throttle', column: 'throttle', name: 'Throttle', quantity: 'share', height: 50, range: [-6, 106], ticks: [0, 50, 100] },
  { key: 'steering', column: 'steering_wheel_angle_rad', name: 'Steering', quantity: 'angle', height: 72, least: 20, include: [0], note: 'left is up', signed: true },
];

/** Channels drawn besides for the causes that they tell. */
const LINE = { key: 'line', column: 'offset_m', name: 'Off the centre line', quantity: 'distance', digits: 1, height: 72, least: 2, note: 'left is up', signed: true };
const GEAR = { key: 'gear', column: 'gear', name: 'Gear', quantity: 'count', height: 50, least: 2, steps: true };
const MORE = { line_distance: [LINE], line_radius: [LINE], gear: [GEAR] };

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
  const [choice, setChoice] = useState('stretch');
  const whole = choice === 'whole';
  const { s_m: s } = comparison;
  const lengthM = s[s.length - 1];
  const corner = ledger.corners.find((c) => c.name === entry.corner) ?? null;
  const told = useMemo(() => ({ ...entry, evidence: evidenceOf(entry, ledger) }), [entry, ledger]);
  const stretch = useMemo(() => stretchOf(sectionOf(told, corner), lengthM), [told, corner, lengthM]);
  // What an exit is worth shows on the straight after it, which is then part of the evidence.
  const follow = useMemo(() => {
    const straight = (ledger.phases ?? []).find((p) => p.corner === entry.corner && p.phase === 'straight' && !fromLine(p));
    return entry.phase === 'exit' && straight && straight.to_m > stretch.to ? { from: stretch.to, to: straight.to_m } : null;
  }, [ledger, entry, stretch]);
  const span = useMemo(() => {
    if (choice === 'whole') return { from: 0, to: lengthM };
    return withSurroundings(choice === 'follow' && follow ? { from: stretch.from, to: follow.to } : stretch, lengthM);
  }, [choice, follow, stretch, lengthM]);
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

  const gapAt = (u) => runningAt(s, comparison.gap_s, u) ?? 0;
  const booking = bookingOf(entry, gapAt(stretch.to) - gapAt(stretch.from));
  const missing = [!positions(comparison.lap) && 'this lap', !positions(comparison.reference) && 'the reference'].filter(Boolean);
  return html`<div class="evidence">
    <div class="evidence-head">
      <h3>${isCause(entry) ? causeName(entry, ledger) : stretchName(entry, ledger)} <span class="figure">${figure(entry.seconds)} s</span></h3>
      <div class="switch" role="group" aria-label="How much of the track is drawn">
        ${[['stretch', 'the stretch'], follow && ['follow', 'and the straight'], ['whole', 'the whole lap']]
          .filter(Boolean)
          .map(([of, words]) => html`<button type="button" aria-pressed=${choice === of} onClick=${() => setChoice(of)}>${words}</button>`)}
      </div>
    </div>
    <p class="sentence-again">${unbroken(entry.sentence)}</p>
    <${Why} entry=${entry} />
    ${booking && html`<p class="booking">${unbroken(booking)}</p>`}
    <div class="upper">
      <${Maps} comparison=${comparison} corners=${ledger.corners} stretch=${stretch} window=${span} whole=${whole} at=${at} corner=${entry.corner} system=${system} />
      <${Values} comparison=${comparison} at=${at} stretch=${stretch} system=${system} />
    </div>
    ${missing.length > 0 && html`<p class="doubt">No positions were recorded for ${missing.join(' and ')}, so no line is drawn for ${missing.length > 1 ? 'them' : 'it'} on the map.</p>`}
    <${Strips} ledger=${ledger} entry=${told} corner=${corner} comparison=${comparison} stretch=${stretch} follow=${choice === 'stretch' ? null : follow} window=${span} whole=${whole} at=${at} go=${go} system=${system} />
    <${Measured} entry=${told} ledger=${ledger} system=${system} />
  </div>`;
}

/** Whose an entry is and why, and how sure that is. */
function Why({ entry }) {
  if (!isCause(entry)) return null;
  const reason = entry.owner_reason ?? '';
  return html`<dl class=${`why ${isExplained(entry) ? '' : 'is-quiet'}`}>
    <div><dt>Whose</dt><dd><strong>${ownerWord(entry)}</strong>${reason && `: ${unbroken(reason)}`}</dd></div>
    <div><dt>How sure</dt><dd>${unbroken(certaintyWords(entry))}</dd></div>
  </dl>`;
}

/** From this difference on [s] it is said why an entry is not what the gap does over its stretch; own choice. */
const ASIDE_S = 0.02;

/**
 * What the account books elsewhere than where it shows, in a sentence.
 * @param {any} entry
 * @param {number} gapS by which the running gap changes over the stretch
 */
function bookingOf(entry, gapS) {
  if (isCause(entry)) {
    if (!isExplained(entry) || Math.abs(gapS - entry.seconds) < ASIDE_S) return '';
    return `Over this stretch the gap changes by ${figure(gapS)} s. The entry is this cause’s share of the whole corner: part of it shows further on, or is balanced by other causes.`;
  }
  const carried = entry.evidence?.carried_s;
  if (!Number.isFinite(carried) || Math.abs(carried) < 0.0005) return '';
  const size = `${figure(carried)} s`;
  if (entry.phase === 'exit') return `Of this, ${size} shows on the straight that follows: the speed out of the corner settled it, so it is booked here.`;
  if (fromLine(entry)) return `Of this, ${size} came over the line with the speed from the lap before.`;
  return `A further ${size} of the gap along this straight was settled by the exit of ${entry.corner}, and is booked there.`;
}

function Maps({ comparison, corners, stretch, window: span, whole, at, corner, system }) {
  const room = useRef(null);
  const width = useWidth(room);
  const gap = 8;
  // The whole lap is one drawing: at its scale the two lines would be one.
  const apart = whole || width < 340;
  const first = apart ? width : Math.floor((width - gap) * 0.46);
  const second = apart ? width : width - gap - first;
  const height = Math.max(160, Math.min(240, Math.round(whole ? width * 0.46 : second * 0.84)));
  return html`<div class=${`maps ${apart ? 'apart' : ''}`} ref=${room}>
    ${width > 0 && html`<${CircuitMap} width=${first} height=${height} comparison=${comparison} corners=${corners} stretch=${stretch} at=${at} corner=${corner} />
      ${!whole && html`<${LinesMap} width=${second} height=${height} comparison=${comparison} corners=${corners} stretch=${stretch} window=${span} at=${at} system=${system} />`}`}
  </div>`;
}

/** The values at the cursor. */
function Values({ comparison, at, stretch, system }) {
  const { s_m: s, lap, reference, gap_s: gap } = comparison;
  const lengthM = s[s.length - 1];
  const here = placeAt(at, lengthM).s;
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
  const time = [runningAt(s, lap.time_s, at), runningAt(s, reference.time_s, at)];
  const running = runningAt(s, gap, at);
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

function Strips({ ledger, entry, corner, comparison, stretch, follow, window: span, whole, at, go, system }) {
  const room = useRef(null);
  const width = useWidth(room);
  const colours = useColours();
  const { s_m: s, lap, reference, gap_s: gap } = comparison;
  const lengthM = s[s.length - 1];
  const strips = useMemo(() => {
    const picked = nodes(s, span);
    const scaled = (column, factor) => pick(column, picked)?.map((v) => (v === null ? null : v * factor)) ?? null;
    const made = [...CHANNELS, ...(MORE[entry.cause] ?? [])].map((c) => {
      const { factor, unit } = shown(c.quantity, system);
      const series = [['reference', reference], ['lap', lap]]
        .map(([of, from]) => ({ of, values: scaled(from[c.column], factor) }))
        .filter((line) => line.values !== null);
      const range = c.range ?? rangeOf(series.map((line) => line.values), c.least, c.include);
      return { ...c, unit, factor, u: picked.u, series, range };
    });
    const running = pickGap(gap, picked);
    made.push({ key: 'gap', name: 'Running gap', unit: 's', note: isCause(entry) ? 'up is losing, all causes together' : 'up is losing', height: 76, factor: 1, u: picked.u, signed: true,
      series: [{ of: 'gap', values: running }], range: rangeOf([running], 0.02) });
    return made;
  }, [comparison, entry, span.from, span.to, system]);
  const rolls = useMemo(() => rollsOf(entry), [entry]);
  const marks = useMemo(() => {
    const at = (u) => runningAt(s, gap, u) ?? 0;
    const made = marksOf(entry, system, { corner, comparison, section: stretch });
    made.push({ channel: 'gap', of: 'gap', at_m: stretch.from, text: '' });
    made.push({ channel: 'gap', of: 'gap', at_m: stretch.to, text: `${figure(at(stretch.to) - at(stretch.from))} s over the stretch` });
    if (follow) made.push({ channel: 'gap', of: 'gap', at_m: follow.to, text: `${figure(at(follow.to) - at(follow.from))} s down the straight` });
    // Over a whole lap there is no room for words; the rings stay.
    return whole ? made.map((m) => ({ ...m, text: '' })) : made;
  }, [entry, corner, stretch, follow, whole, system, comparison]);

  // One cursor: places come from the pointer over any strip, or from the keys.
  const point = (event) => {
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
  const here = placeAt(at, lengthM).s;
  return html`<div class="strips" ref=${room} onPointerMove=${(e) => (e.pointerType === 'mouse' || e.buttons) && point(e)} onPointerDown=${point}>
    ${width > 0 && html`
      ${partsIn(stretch, span, lengthM).map((part) => {
        const left = xOf(part.from, span, width);
        return html`<div class="stretch-band" style=${{ left: `${left}px`, width: `${xOf(part.to, span, width) - left}px` }}></div>`;
      })}
      ${follow && partsIn(follow, span, lengthM).map((part) => {
        const left = xOf(part.from, span, width);
        return html`<div class="follow-band" style=${{ left: `${left}px`, width: `${xOf(part.to, span, width) - left}px` }}></div>`;
      })}
      ${guides.map((tick) => html`<div class=${`guide ${tick.kind}`} style=${{ left: `${xOf(tick.u, span, width)}px` }}></div>`)}
      ${strips.map((strip) => html`<div class="strip" key=${strip.key} data-channel=${strip.key}>
        <p class="strip-name"><strong>${strip.name}</strong>${strip.unit && ` ${strip.unit}`}${strip.note ? html`<span class="note">, ${strip.note}</span>` : ''}</p>
        ${strip.series.length === 0
          ? html`<p class="none">Neither lap has this channel recorded.</p>`
          : html`<div class="plot">
              <${Strip} width=${width} height=${strip.height} window=${span} u=${strip.u} series=${strip.series} range=${strip.range} ticks=${strip.ticks} signed=${strip.signed} colours=${colours} />
              ${strip.key === 'throttle' && rolls.map((roll) => html`<${Roll} key=${roll.of} roll=${roll} window=${span} width=${width} height=${strip.height} />`)}
              <${Marks} marks=${marks.filter((m) => m.channel === strip.key)} strip=${strip} window=${span} width=${width} lengthM=${lengthM} />
            </div>`}
      </div>`)}
      <${Ruler} width=${width} window=${span} corners=${ledger.corners} lengthM=${lengthM} brief=${whole} system=${system} />
      <div class="cursor" tabindex="0" role="slider" aria-label="Cursor along the track" aria-orientation="horizontal"
        aria-valuemin=${Math.round(span.from)} aria-valuemax=${Math.round(span.to)} aria-valuenow=${Math.round(at)}
        aria-valuetext=${`${show(here, 'distance', system)} from the line`}
        onKeyDown=${keys} style=${{ transform: `translateX(${x}px)` }}></div>`}
  </div>`;
}

/** Where a lap rolls with neither pedal: a bar of its own line below the throttle's zero. */
function Roll({ roll, window: span, width, height }) {
  const [left, right] = [xOf(Math.max(roll.from, span.from), span, width), xOf(Math.min(roll.to, span.to), span, width)];
  if (right <= left) return null;
  return html`<span class=${`roll ${roll.of}`} style=${{ left: `${left}px`, width: `${right - left}px`, top: `${height - (roll.of === 'lap' ? 7 : 3)}px` }}></span>`;
}

/** Height of a note on a curve [px], and the width of its characters on the safe side. */
const NOTE = { height: 18, character: 7, room: 9 };

/** Notes on the curves of a strip: a small ring at each place, the words beside it where they cover no other words. */
function Marks({ marks, strip, window: span, width, lengthM }) {
  const placed = marks
    .map((mark) => {
      const u = [mark.at_m, mark.at_m - lengthM, mark.at_m + lengthM].find((v) => v >= span.from && v <= span.to);
      const line = strip.series.find((l) => l.of === mark.of);
      const value = u === undefined || !line ? null : valueAt(strip.u, line.values, u);
      return value === null ? null : { ...mark, x: xOf(u, span, width), y: yOf(value, strip.range, strip.height) };
    })
    .filter((mark) => mark !== null);
  for (const mark of placed) mark.note = mark.text ? besideOf(mark, placed, strip, span, width) : null;
  return placed.map(
    (m) => html`${m.ring !== false && html`<span class=${`ring ${m.of}`} style=${{ left: `${m.x}px`, top: `${m.y}px` }}></span>`}
      ${m.note && html`<span class="mark" style=${{ left: `${m.note.left}px`, top: `${m.note.top}px` }}>${m.text}</span>`}`,
  );
}

/** A place for words beside a point: inside, over no other words, over as few rings and curves as can be; null if none. */
function besideOf({ x, y, text }, placed, strip, span, width) {
  const { height } = strip;
  const long = text.length * NOTE.character + 8;
  const tops = [y - NOTE.height - 2, y + 2, y - NOTE.height / 2, y - 2 * NOTE.height, y + NOTE.height, 0, height - NOTE.height];
  let best = null;
  for (const wanted of tops) {
    for (const left of [x + NOTE.room, x - NOTE.room - long]) {
      const top = Math.min(height - NOTE.height, Math.max(0, wanted));
      const box = { left, right: left + long, top, bottom: top + NOTE.height };
      if (box.left < EDGE.gutter || box.right > width) continue;
      if (placed.some(({ note: o }) => o && box.left < o.right && box.right > o.left && box.top < o.bottom && box.bottom > o.top)) continue;
      const rings = placed.filter((m) => m.ring !== false && m.x > left - 6 && m.x < box.right + 6 && m.y > top - 4 && m.y < box.bottom + 4).length;
      const covered = 4 * rings + curvesIn(box, strip, span, width) + Math.abs(top + NOTE.height / 2 - y) / 200; // Nearer is better among equals.
      if (best === null || covered < best.covered) best = { ...box, covered };
    }
  }
  return best;
}

/** How many of the curves' points, every few pixels, lie in a box. */
function curvesIn(box, strip, span, width) {
  let count = 0;
  for (let x = box.left; x <= box.right; x += 6) {
    const u = span.from + ((x - EDGE.gutter) / (width - EDGE.gutter - EDGE.right)) * (span.to - span.from);
    for (const { values } of strip.series) {
      const value = valueAt(strip.u, values, u);
      if (value === null) continue;
      const y = yOf(value, strip.range, strip.height);
      if (y > box.top - 2 && y < box.bottom + 2) count += 1;
    }
  }
  return count;
}

/** Everything that was measured in both laps; what tells the cause comes first. */
function Measured({ entry, ledger, system }) {
  const first = isCause(entry) ? (TOLD_BY[entry.cause] ?? []) : [];
  const rows = measured(entry.evidence, system, first);
  if (rows.length === 0) return null;
  return html`<table class="measured">
    <caption>Measured in both laps: ${stretchName(entry, ledger)}</caption>
    <thead><tr><td></td><th scope="col">this lap</th><th scope="col">reference</th><th scope="col">difference</th></tr></thead>
    <tbody>${rows.map((r) => html`<tr key=${r.name} class=${r.tells ? 'tells' : ''}><th scope="row">${r.name} <span class="unit">${r.unit}</span></th>
      <td class="figure">${r.lap}</td><td class="figure">${r.reference}</td><td class="figure">${r.difference}</td></tr>`)}</tbody>
  </table>`;
}
