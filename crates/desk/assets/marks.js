// What the evidence of an entry says, for the curves and for the table. Readings come in SI for both laps; places are
// abscissae [m]; null is what was not measured, or did not happen in that lap. Nothing is measured here, only written.

import { TOLD_BY, isCause } from './causes.js';
import { show, shown } from './units.js';

/** @typedef {{lap: number | null, reference: number | null} | null | undefined} Reading */
/** @typedef {{channel: string, of: 'lap' | 'reference' | 'gap', at_m: number, text: string, ring?: boolean}} Mark */

/** Differences of place below this [m] are not put on the curve: half a node. */
const SAME_PLACE_M = 0.5;
/** Differences of speed below this [m/s] are not put on the curve: 0.5 km/h. */
const SAME_SPEED_MPS = 0.14;
/** Differences of place across the road below this [m] are not put on the curve: what the words would round to nothing. */
const SAME_OFFSET_M = 0.05;

/** Places on the curves: field, channel, what is done there, earlier, later, what it is called when only one lap does it. */
const PLACES = [
  { field: 'brake_onset_m', channel: 'brake', say: 'brake', less: 'earlier', more: 'later' },
  { field: 'brake_release_m', channel: 'brake', say: 'off the brake', less: 'sooner', more: 'later' },
  { field: 'turn_in_m', channel: 'steering', say: 'turn in', less: 'earlier', more: 'later' },
  { field: 'throttle_pickup_m', channel: 'throttle', say: 'on the throttle', less: 'sooner', more: 'later' },
  { field: 'full_throttle_m', channel: 'throttle', say: 'full throttle', less: 'sooner', more: 'later' },
];

const known = (value) => value !== null && value !== undefined && Number.isFinite(value);

/** What of a place belongs to a cause; a phase tells them all. */
const tells = (entry, field) => !isCause(entry) || (TOLD_BY[entry.cause] ?? []).includes(field);

/**
 * Marks on the curves of both laps, the words at this lap's place.
 * @param {any} entry with the evidence that tells its cause
 * @param {import('./units.js').System} system
 * @param {{corner?: any, comparison?: any, section?: {from: number, to: number}}} [where] what else is known there: the corner,
 *   the columns of both laps, and the stretch
 * @returns {Mark[]}
 */
export function marksOf(entry, system, where = {}) {
  const evidence = entry.evidence ?? {};
  const marks = [];
  for (const { field, channel, say, less, more } of PLACES) {
    /** @type {Reading} */
    const reading = tells(entry, field) ? evidence[field] : null;
    if (!reading) continue;
    const both = known(reading.lap) && known(reading.reference);
    if (known(reading.lap)) {
      let text = both ? '' : `${say}, the reference does not`;
      const by = both ? reading.lap - reading.reference : 0;
      if (Math.abs(by) >= SAME_PLACE_M) text = `${say} ${show(Math.abs(by), 'distance', system)} ${by < 0 ? less : more}`;
      marks.push({ channel, of: 'lap', at_m: reading.lap, text });
    }
    if (known(reading.reference)) {
      marks.push({ channel, of: 'reference', at_m: reading.reference, text: both ? '' : `reference: ${say}` });
    }
  }
  const speed = (reading, at, words) => {
    if (!reading || !known(reading.lap) || !known(reading.reference)) return;
    const by = reading.lap - reading.reference;
    const text = Math.abs(by) < SAME_SPEED_MPS ? '' : `${words} ${show(Math.abs(by), 'speed', system)} ${by < 0 ? 'slower' : 'faster'}`;
    if (at && known(at.lap)) marks.push({ channel: 'speed', of: 'lap', at_m: at.lap, text });
    if (at && known(at.reference)) marks.push({ channel: 'speed', of: 'reference', at_m: at.reference, text: '' });
  };
  if (tells(entry, 'minimum_speed_mps')) speed(evidence.minimum_speed_mps, evidence.minimum_speed_at_m, 'slowest point');
  const leaves = isCause(entry) ? entry.cause === 'drive_out' : entry.phase === 'exit';
  if (leaves) speed(evidence.speed_at_end_mps, { lap: entry.to_m, reference: entry.to_m }, 'leave');
  const across = evidence.offset_at_apex_m;
  if (tells(entry, 'offset_at_apex_m') && where.corner && across && known(across.lap) && known(across.reference)) {
    const wider = (across.reference - across.lap) * (where.corner.direction === 'left' ? 1 : -1);
    const text = Math.abs(wider) < SAME_OFFSET_M ? '' : `${show(Math.abs(wider), 'distance', system, { digits: 1 })} ${wider > 0 ? 'wider' : 'tighter'} at the apex`;
    marks.push({ channel: 'line', of: 'lap', at_m: where.corner.apex_m, text }, { channel: 'line', of: 'reference', at_m: where.corner.apex_m, text: '' });
  }
  for (const roll of rollsOf(entry)) {
    if (roll.text) marks.push({ channel: 'throttle', of: 'lap', at_m: (roll.from + roll.to) / 2, text: roll.text, ring: false });
  }
  if (where.comparison && where.section) marks.push(...extremes(entry, system, where.comparison, where.section));
  return marks;
}

/** Marks at the highest or lowest value of a curve, where the cause is one of how much and not of where. */
function extremes(entry, system, comparison, section) {
  const peak = (channel, column, quantity, better, words) => {
    const found = ['lap', 'reference'].map((of) => ({ of, ...(extremeOf(comparison.s_m, comparison[of][column], section, better) ?? {}) }));
    if (!found.every((f) => known(f.value))) return [];
    const [lap, reference] = found.map((f) => show(f.value, quantity, system));
    return found.map((f) => ({ channel, of: f.of, at_m: f.at, text: f.of === 'lap' && lap !== reference ? `${words} ${lap}, reference ${reference}` : '' }));
  };
  switch (entry.cause) {
    case 'brake_effort':
      return peak('brake', 'brake', 'share', (a, b) => a > b, 'at most');
    case 'lift':
      return peak('throttle', 'throttle', 'share', (a, b) => a < b, 'down to');
    case 'gear':
      return gearAt(entry.evidence, comparison);
    default:
      return [];
  }
}

/** The gears at the slowest points. */
function gearAt(evidence, comparison) {
  const at = evidence?.minimum_speed_at_m;
  const gear = (of) => {
    const column = comparison[of].gear;
    const i = known(at?.[of]) ? comparison.s_m.findIndex((s) => s >= at[of]) : -1;
    return column && i >= 0 ? column[i] : null;
  };
  const [lap, reference] = [gear('lap'), gear('reference')];
  if (!known(lap) || !known(reference)) return [];
  return [
    { channel: 'gear', of: 'lap', at_m: at.lap, text: lap === reference ? '' : `gear ${lap}, reference ${reference}` },
    { channel: 'gear', of: 'reference', at_m: at.reference, text: '' },
  ];
}

/** Place and value of the extreme of a column within a stretch that does not run over the line. */
function extremeOf(s, column, section, better) {
  let found = null;
  for (let i = 0; column && i < s.length; i++) {
    if (s[i] < section.from || s[i] > section.to || !known(column[i])) continue;
    if (found === null || better(column[i], found.value)) found = { at: s[i], value: column[i] };
  }
  return found;
}

/**
 * How far each lap rolls with neither pedal, for an entry of that cause: from the release to the pick-up.
 * @param {any} entry
 * @returns {{of: 'lap' | 'reference', from: number, to: number, text: string}[]}
 */
export function rollsOf(entry) {
  if (entry.cause !== 'coasting') return [];
  const { brake_release_m: off, throttle_pickup_m: on } = entry.evidence ?? {};
  return ['reference', 'lap']
    .filter((of) => known(off?.[of]) && known(on?.[of]) && on[of] > off[of])
    .map((of) => ({ of, from: off[of], to: on[of], text: of === 'lap' ? 'neither pedal' : '' }));
}

/** The parts of a corner that a cause acts in besides its phase: the corner itself, or up to the marked places. */
const IN_THE_CORNER = ['minimum_speed', 'line_distance', 'line_radius'];

/**
 * The part of the track where a cause acts: its phase and the places that tell it; for what is driven in the corner, the
 * corner from turn-in to exit. A phase is its own.
 * @param {any} entry with the evidence that tells its cause
 * @param {any} corner
 * @returns {{from_m: number, to_m: number}}
 */
export function sectionOf(entry, corner) {
  if (!isCause(entry) || entry.to_m < entry.from_m) return { from_m: entry.from_m, to_m: entry.to_m };
  const places = [entry.from_m, entry.to_m];
  for (const field of TOLD_BY[entry.cause] ?? []) {
    const reading = entry.evidence?.[field];
    if (AT_A_PLACE.test(field) && reading) places.push(...[reading.lap, reading.reference].filter(known));
  }
  const short = Math.max(...places) - Math.min(...places) < SHORT_M;
  if (corner && (IN_THE_CORNER.includes(entry.cause) || short)) places.push(corner.turn_in_m, corner.exit_m);
  return { from_m: Math.min(...places), to_m: Math.max(...places) };
}

/** Fields that are places along the track; lengths and offsets are in metres too. */
const AT_A_PLACE = /^(brake_onset|brake_release|turn_in|throttle_pickup|full_throttle|minimum_speed_at)_m$/;
/** A stretch shorter than this [m] is not seen on the map; own choice. */
const SHORT_M = 15;

/** Rows of the table of readings: field, name, quantity, decimals where they differ from the quantity's own. */
const READINGS = [
  ['speed_at_start_mps', 'Speed at its start', 'speed'],
  ['minimum_speed_mps', 'Lowest speed', 'speed'],
  ['speed_at_end_mps', 'Speed at its end', 'speed'],
  ['mean_speed_mps', 'Average speed', 'speed'],
  ['brake_onset_m', 'Brake point', 'distance', 1],
  ['brake_release_m', 'Brake released', 'distance', 1],
  ['brake_peak', 'Highest brake', 'share'],
  ['coasting_m', 'Rolling off both pedals', 'distance', 1],
  ['turn_in_m', 'Turn-in', 'distance', 1],
  ['minimum_speed_at_m', 'Place of the lowest speed', 'distance', 1],
  ['offset_at_apex_m', 'At the apex, left of the centre line', 'distance', 1],
  ['throttle_pickup_m', 'Throttle pick-up', 'distance', 1],
  ['full_throttle_m', 'Full throttle', 'distance', 1],
  ['mean_throttle', 'Average throttle', 'share'],
  ['driven_m', 'Length of the driven line', 'distance', 1],
];

/**
 * All readings of an entry as text.
 * @param {any} evidence
 * @param {import('./units.js').System} system
 * @param {string[]} [first] fields that come first
 * @returns {{name: string, unit: string, lap: string, reference: string, difference: string, tells: boolean}[]}
 */
export function measured(evidence, system, first = []) {
  const there = READINGS.filter(([field]) => evidence?.[field]);
  const tells = ([field]) => first.includes(field);
  return [...there.filter(tells), ...there.filter((r) => !tells(r))].map(([field, name, quantity, digits]) => {
    const { lap, reference } = evidence[field];
    const write = (value, how = {}) => show(value, quantity, system, { bare: true, ...(digits === undefined ? {} : { digits }), ...how });
    return {
      name,
      tells: first.includes(field),
      unit: shown(quantity, system).unit,
      lap: write(lap),
      reference: write(reference),
      difference: known(lap) && known(reference) ? write(lap - reference, { sign: true }) : '–',
    };
  });
}
