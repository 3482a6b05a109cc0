// Small parts that every page uses.

import { html } from './view.js';
import { LONG_MS, QUIET_MS } from './api.js';
import { lapTime, useUnits } from './units.js';

/** Kinds of a lap, as one says them. */
export const KINDS = { timed: 'timed', out: 'out-lap', in: 'in-lap', incomplete: 'incomplete' };

/** Phases of a corner, as one says them. */
export const PHASES = { approach: 'approach', entry: 'entry', mid_corner: 'mid-corner', exit: 'exit', straight: 'straight' };

/**
 * The straight between the line and the first corner: it belongs to the last corner, whose exit was in the lap before.
 * @param {{phase: string, from_m: number}} entry
 */
export const fromLine = (entry) => entry.phase === 'straight' && entry.from_m === 0;

/**
 * An entry's stretch by name: `T5 mid-corner`, `Line to T1`.
 * @param {any} entry
 * @param {any} ledger
 */
export function stretchName(entry, ledger) {
  if (fromLine(entry)) return `Line to ${ledger.corners[0]?.name ?? 'the first corner'}`;
  return [entry.corner, phaseWord(entry.phase)].filter(Boolean).join(' ');
}

/**
 * Where an entry stands, in a sentence: `on the straight after T9`.
 * @param {any} entry
 * @param {any} ledger
 */
export function placeWords(entry, ledger) {
  const of = entry.corner ?? 'the lap';
  if (fromLine(entry)) return `between the line and ${ledger.corners[0]?.name ?? 'the first corner'}`;
  switch (entry.phase) {
    case 'approach':
      return `on the approach to ${of}`;
    case 'entry':
      return `at the entry of ${of}`;
    case 'mid_corner':
      return `in the middle of ${of}`;
    case 'exit':
      return `at the exit of ${of}`;
    case 'straight':
      return `on the straight after ${of}`;
    default:
      return `in ${of}`;
  }
}

/** A sentence whose numbers stay with their units when it breaks into lines. */
export const unbroken = (text) => text.replace(/(\d) (s|m|km\/h|mph|ft|deg|%)(?![A-Za-z])/g, '$1\u00a0$2');

/** @param {string} phase */
export const phaseWord = (phase) => PHASES[phase] ?? String(phase ?? '').replaceAll('_', ' ');

/**
 * Address of a ledger page; it can be kept and shared.
 * @param {string} lap
 * @param {string} [against]
 * @param {string} [entry] key of the opened entry
 */
export function ledgerAddress(lap, against = 'best', entry = '') {
  const words = ['time', lap, against, entry].filter((w) => w !== '').map((w) => encodeURIComponent(w).replaceAll('%3A', ':'));
  return `#/${words.join('/')}`;
}

/** `lap 3 of evening-two` */
export const lapWords = (lap) => `lap ${lap.lap_number} of ${lap.recording}`;

/**
 * The fastest valid timed lap of the circuit and car of `lap`, other than `lap` when `other` is set.
 * @param {any[]} laps
 * @param {any} lap
 * @param {{other?: boolean}} [how]
 */
export function bestFor(laps, lap, how = {}) {
  let best = null;
  for (const l of laps) {
    if (l.kind !== 'timed' || !l.valid || l.lap_time_s === null) continue;
    if (l.circuit !== lap.circuit || l.car !== lap.car || (how.other && l.id === lap.id)) continue;
    if (best === null || l.lap_time_s < best.lap_time_s) best = l;
  }
  return best;
}

/** Laps that can be compared with `lap`: with a time, on the same circuit. */
export const comparableWith = (laps, lap) => laps.filter((l) => l.lap_time_s !== null && l.circuit === lap?.circuit);

/** Options of a choice of laps, grouped by recording. */
export function LapOptions({ laps }) {
  const groups = new Map();
  for (const lap of laps) {
    if (!groups.has(lap.recording)) groups.set(lap.recording, []);
    groups.get(lap.recording).push(lap);
  }
  return [...groups].map(
    ([recording, of]) => html`<optgroup key=${recording} label=${of[0].driver ? `${of[0].driver}, ${recording}` : recording}>
      ${of.map((l) => html`<option key=${l.id} value=${l.id}>${recording} lap ${l.lap_number}, ${lapTime(l.lap_time_s)}${l.kind === 'timed' && !l.valid ? ', not valid' : ''}</option>`)}
    </optgroup>`,
  );
}

/** Foot of every page: what is good to know before the hands are on a wheel, and the keys. */
export function Colophon() {
  return html`<footer class="colophon">
    <a href="#/cautions">Cautions: hands, pedals, breaks, real cars</a>
    <button type="button" class="plain" onClick=${() => window.dispatchEvent(new Event('show-keys'))}>Keys <kbd>?</kbd></button>
  </footer>`;
}

/** Head of every page: whose book it is, and the units. */
export function Masthead({ name, back }) {
  const [system, choose] = useUnits();
  return html`<header class="masthead">
    <a class="wordmark" href="#/">Lapwright</a>
    <span class="book">${name ?? ''}</span>
    ${back && html`<a class="back" href="#/">All laps</a>`}
    <label class="units">Units
      <select value=${system} onChange=${(e) => choose(e.currentTarget.value)}>
        <option value="metric">km/h, m</option>
        <option value="imperial">mph, ft</option>
      </select>
    </label>
  </header>`;
}

/**
 * What the page says instead of an answer: nothing for a moment, then what it does, then for how long, or what failed.
 * @param {{answer: import('./api.js').Answer, doing: string}} props `doing` is a sentence without its full stop
 */
export function Pending({ answer, doing }) {
  if (answer.state === 'done') return null;
  if (answer.state === 'failed') {
    return html`<div class="notice" role="alert">
      <p>${answer.error}</p>
      <p><button type="button" onClick=${answer.again}>Try again</button></p>
    </div>`;
  }
  if (answer.state === 'stopped') {
    return html`<div class="notice" role="status">
      <p>Stopped. Nothing was changed.</p>
      <p><button type="button" onClick=${answer.again}>Ask again</button></p>
    </div>`;
  }
  const long = answer.waitedMs >= LONG_MS;
  return html`<div class="working" role="status">
    ${answer.waitedMs >= QUIET_MS &&
    html`<p>${doing}${long ? `: ${Math.floor(answer.waitedMs / 1000)} s so far` : ' …'}
      ${long && html` <button type="button" onClick=${answer.stop}>Stop</button>`}</p>`}
  </div>`;
}

/** A short piece of line as it is drawn for this lap or the reference. */
export function LineSample({ of }) {
  return html`<svg class=${`sample ${of}`} width="40" height="8" viewBox="0 0 40 8" aria-hidden="true">
    ${of === 'reference' && html`<line class="edge" x1="0" y1="4" x2="40" y2="4" />`}
    <line class="line" x1="0" y1="4" x2="40" y2="4" />
  </svg>`;
}
