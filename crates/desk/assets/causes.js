// Causes, owners and certainty, as one says them.

import { number } from './units.js';
import { fromLine } from './parts.js';

/** Causes as words. */
export const CAUSES = {
  brake_point: 'brake point',
  brake_effort: 'brake effort',
  release: 'brake release',
  coasting: 'coasting',
  minimum_speed: 'lowest speed',
  throttle_pickup: 'throttle pick-up',
  drive_out: 'drive out',
  line_distance: 'length of the line',
  line_radius: 'radius of the line',
  gear: 'gear',
  lift: 'lift',
  unexplained: 'unexplained',
};

/** Owners in the order of the account; the last word is for what nobody owns yet. */
export const OWNERS = ['driver', 'car', 'rig', 'not settled'];

/** Entries below this size [s] are level: the ledger words them so, and the account folds them together. */
export const LEVEL_S = 0.005;

/** Whether an entry is of a cause, and not of a phase. */
export const isCause = (entry) => entry.certainty !== undefined;

/** @param {any} entry */
export const isExplained = (entry) => Boolean(entry.cause) && entry.cause !== 'unexplained';

/** @param {any} entry */
export const causeWord = (entry) => (entry.cause ? (CAUSES[entry.cause] ?? String(entry.cause).replaceAll('_', ' ')) : 'unexplained');

/** @param {any} entry */
export const ownerWord = (entry) => (OWNERS.includes(entry.owner) ? entry.owner : 'not settled');

/**
 * Where and why, in front of the other words of a row: `T5 brake point`.
 * @param {any} entry
 * @param {any} ledger
 */
export function causeName(entry, ledger) {
  const of = fromLine(entry) ? `Line to ${ledger.corners[0]?.name ?? 'the first corner'}` : entry.corner;
  return [of, causeWord(entry)].filter(Boolean).join(' ');
}

/**
 * Between which seconds an entry lies: `between 0.28 and 0.33 s`. Two decimals when they tell the ends apart well.
 * @param {{lo: number, hi: number} | null | undefined} interval
 */
export function intervalWords(interval) {
  if (!Number.isFinite(interval?.lo) || !Number.isFinite(interval?.hi)) return '';
  const digits = interval.hi - interval.lo >= 0.02 ? 2 : 3;
  return `between ${number(interval.lo, digits)} and ${number(interval.hi, digits)}\u00a0s`;
}

/**
 * How sure an entry is, with what that means.
 * @param {any} entry
 */
export function certaintyWords(entry) {
  const size = intervalWords(entry.interval);
  const zero = entry.interval && entry.interval.lo <= 0 && entry.interval.hi >= 0;
  switch (entry.certainty) {
    case 'sure':
      return `sure, ${size}`;
    case 'likely':
      return `likely; its size is rough, ${size}`;
    case 'open':
      if (!isExplained(entry)) return `open, ${size}`;
      return zero ? `open: it lies ${size}, so it may be nothing` : `open: the channels that would tell it from other causes are missing; ${size}`;
    default:
      return [entry.certainty, size].filter(Boolean).join(', ');
  }
}

/**
 * Sums per owner, in the order of `OWNERS`.
 * @param {any[]} entries
 */
export function sumsByOwner(entries) {
  return OWNERS.map((name) => ({ name, seconds: entries.filter((e) => ownerWord(e) === name).reduce((sum, e) => sum + e.seconds, 0) }));
}

/**
 * Sums per corner in the order of driving; the straight from the line comes first and is no corner.
 * @param {any[]} entries
 */
export function sumsByCorner(entries) {
  const sums = [];
  for (const entry of entries) {
    const name = fromLine(entry) ? 'Line' : (entry.corner ?? 'Lap');
    const found = sums.find((s) => s.name === name);
    if (found) found.seconds += entry.seconds;
    else sums.push({ name, seconds: entry.seconds });
  }
  return sums;
}

/** What an entry's cause is told by: fields of the evidence, whichever phase of the corner holds them. */
export const TOLD_BY = {
  brake_point: ['brake_onset_m'],
  brake_effort: ['brake_peak'],
  release: ['brake_release_m'],
  coasting: ['brake_release_m', 'throttle_pickup_m'],
  minimum_speed: ['minimum_speed_mps', 'minimum_speed_at_m'],
  throttle_pickup: ['throttle_pickup_m'],
  drive_out: ['full_throttle_m', 'speed_at_end_mps'],
  line_distance: ['offset_at_apex_m', 'driven_m'],
  line_radius: ['offset_at_apex_m', 'minimum_speed_mps', 'minimum_speed_at_m'],
  gear: ['minimum_speed_mps', 'minimum_speed_at_m'],
  lift: [],
  unexplained: [],
};

/**
 * The evidence of an entry: its own, and what tells its cause from the other phases of its corner.
 * @param {any} entry
 * @param {any} ledger
 */
export function evidenceOf(entry, ledger) {
  const evidence = { ...entry.evidence };
  if (!isCause(entry) || fromLine(entry)) return evidence;
  const phases = (ledger.phases ?? []).filter((p) => p.corner === entry.corner && !fromLine(p));
  for (const field of TOLD_BY[entry.cause] ?? []) {
    evidence[field] ??= phases.map((p) => p.evidence?.[field]).find((reading) => reading) ?? null;
  }
  // Its reading is of the phase alone, and the rolling begins before it or goes on after it.
  if (entry.cause === 'coasting') evidence.coasting_m = null;
  return evidence;
}
