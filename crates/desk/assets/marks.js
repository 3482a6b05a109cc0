// What the evidence of an entry says, for the curves and for the table. Readings come in SI for both laps; places are
// abscissae [m]; null is what was not measured, or did not happen in that lap. Nothing is measured here, only written.

import { show, shown } from './units.js';

/** @typedef {{lap: number | null, reference: number | null} | null | undefined} Reading */
/** @typedef {{channel: string, of: 'lap' | 'reference' | 'gap', at_m: number, text: string}} Mark */

/** Differences of place below this [m] are not put on the curve: half a node. */
const SAME_PLACE_M = 0.5;
/** Differences of speed below this [m/s] are not put on the curve: 0.5 km/h. */
const SAME_SPEED_MPS = 0.14;

/** Places on the curves: field, channel, what is done there, earlier, later, what it is called when only one lap does it. */
const PLACES = [
  { field: 'brake_onset_m', channel: 'brake', say: 'brake', less: 'earlier', more: 'later' },
  { field: 'brake_release_m', channel: 'brake', say: 'off the brake', less: 'sooner', more: 'later' },
  { field: 'turn_in_m', channel: 'steering', say: 'turn in', less: 'earlier', more: 'later' },
  { field: 'throttle_pickup_m', channel: 'throttle', say: 'on the throttle', less: 'sooner', more: 'later' },
  { field: 'full_throttle_m', channel: 'throttle', say: 'full throttle', less: 'sooner', more: 'later' },
];

const known = (value) => value !== null && value !== undefined && Number.isFinite(value);

/**
 * Marks on the curves of both laps, the words at this lap's place.
 * @param {any} entry
 * @param {import('./units.js').System} system
 * @returns {Mark[]}
 */
export function marksOf(entry, system) {
  const evidence = entry.evidence ?? {};
  const marks = [];
  for (const { field, channel, say, less, more } of PLACES) {
    /** @type {Reading} */
    const reading = evidence[field];
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
  speed(evidence.minimum_speed_mps, evidence.minimum_speed_at_m, 'slowest point');
  if (entry.phase === 'exit') speed(evidence.speed_at_end_mps, { lap: entry.to_m, reference: entry.to_m }, 'leave');
  return marks;
}

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
 * @returns {{name: string, unit: string, lap: string, reference: string, difference: string}[]}
 */
export function measured(evidence, system) {
  return READINGS.filter(([field]) => evidence?.[field]).map(([field, name, quantity, digits]) => {
    const { lap, reference } = evidence[field];
    const write = (value, how = {}) => show(value, quantity, system, { bare: true, ...(digits === undefined ? {} : { digits }), ...how });
    return {
      name,
      unit: shown(quantity, system).unit,
      lap: write(lap),
      reference: write(reference),
      difference: known(lap) && known(reference) ? write(lap - reference, { sign: true }) : '–',
    };
  });
}
