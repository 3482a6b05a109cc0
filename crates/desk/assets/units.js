// Display units and rounding. Values come in SI and leave as text or as numbers for an axis; nothing else converts.

import { useEffect, useState } from './view.js';

/** @typedef {'metric' | 'imperial'} System */
/** @typedef {{factor: number, unit: string, digits: number}} Shown multiply by the factor, write with the digits */

/** @type {Record<string, Record<System, Shown>>} */
const QUANTITIES = {
  // 1 mi = 1609.344 m and 1 ft = 0.3048 m exactly (international yard and pound agreement, 1959).
  speed: {
    metric: { factor: 3.6, unit: 'km/h', digits: 1 },
    imperial: { factor: 3600 / 1609.344, unit: 'mph', digits: 1 },
  },
  distance: {
    metric: { factor: 1, unit: 'm', digits: 0 },
    imperial: { factor: 1 / 0.3048, unit: 'ft', digits: 0 },
  },
  angle: {
    metric: { factor: 180 / Math.PI, unit: 'deg', digits: 0 },
    imperial: { factor: 180 / Math.PI, unit: 'deg', digits: 0 },
  },
  share: {
    metric: { factor: 100, unit: '%', digits: 0 },
    imperial: { factor: 100, unit: '%', digits: 0 },
  },
  time: {
    metric: { factor: 1, unit: 's', digits: 3 },
    imperial: { factor: 1, unit: 's', digits: 3 },
  },
  count: {
    metric: { factor: 1, unit: '', digits: 0 },
    imperial: { factor: 1, unit: '', digits: 0 },
  },
};

/**
 * How a quantity is shown in a system of units.
 * @param {keyof typeof QUANTITIES} quantity
 * @param {System} system
 * @returns {Shown}
 */
export function shown(quantity, system) {
  return QUANTITIES[quantity][system];
}

const MINUS = '\u2212';
const NARROW_SPACE = '\u202f';

/**
 * A number as text: true minus sign, groups of three, never a negative zero.
 * @param {number} value
 * @param {number} digits behind the point
 * @param {{sign?: boolean}} [how] `sign` also writes the plus
 * @returns {string}
 */
export function number(value, digits, how = {}) {
  const text = Math.abs(value).toFixed(digits);
  const [whole, part] = text.split('.');
  const grouped = whole.replace(/\B(?=(\d{3})+$)/g, NARROW_SPACE);
  const zero = Number(text) === 0;
  const sign = zero ? '' : value < 0 ? MINUS : how.sign ? '+' : '';
  return sign + grouped + (part === undefined ? '' : `.${part}`);
}

/**
 * A value of SI with its unit, such as `142.3 km/h`; a dash when it is missing.
 * @param {number | null | undefined} value
 * @param {keyof typeof QUANTITIES} quantity
 * @param {System} system
 * @param {{sign?: boolean, bare?: boolean, digits?: number}} [how] `bare` leaves the unit out
 * @returns {string}
 */
export function show(value, quantity, system, how = {}) {
  if (value === null || value === undefined || !Number.isFinite(value)) return '–';
  const { factor, unit, digits } = shown(quantity, system);
  const text = number(value * factor, how.digits ?? digits, how);
  return how.bare || unit === '' ? text : `${text}\u00a0${unit}`;
}

/**
 * Seconds of an account: sign, three decimals.
 * @param {number} seconds
 * @returns {string}
 */
export function account(seconds) {
  return number(seconds, 3, { sign: true });
}

/**
 * A lap time, such as `1:32.486`; below a minute `58.204`.
 * @param {number | null | undefined} seconds
 * @returns {string}
 */
export function lapTime(seconds) {
  if (seconds === null || seconds === undefined || !Number.isFinite(seconds)) return '–';
  const millis = Math.round(seconds * 1000);
  const minutes = Math.floor(millis / 60000);
  const rest = (millis - minutes * 60000) / 1000;
  return minutes > 0 ? `${minutes}:${rest.toFixed(3).padStart(6, '0')}` : rest.toFixed(3);
}

/**
 * How long something lasted, in words: `48 s`, `12 min`, `1 h 5 min`.
 * @param {number} seconds
 * @returns {string}
 */
export function duration(seconds) {
  if (seconds < 90) return `${Math.round(seconds)}\u00a0s`;
  const minutes = Math.round(seconds / 60);
  if (minutes < 90) return `${minutes}\u00a0min`;
  return `${Math.floor(minutes / 60)}\u00a0h ${minutes % 60}\u00a0min`;
}

const KEY = 'lapwright.units';
const listeners = new Set();

/** @returns {System} */
function remembered() {
  try {
    return localStorage.getItem(KEY) === 'imperial' ? 'imperial' : 'metric';
  } catch {
    return 'metric'; // The browser keeps nothing for this page; then it starts metric each time.
  }
}

let system = null;

/**
 * The chosen system of units, and how to choose.
 * @returns {[System, (system: System) => void]}
 */
export function useUnits() {
  system ??= remembered();
  const [now, setNow] = useState(system);
  useEffect(() => {
    listeners.add(setNow);
    return () => listeners.delete(setNow);
  }, []);
  const choose = (next) => {
    system = next;
    try {
      localStorage.setItem(KEY, next);
    } catch {
      // Kept for this visit only.
    }
    for (const listener of listeners) listener(next);
  };
  return [now, choose];
}
