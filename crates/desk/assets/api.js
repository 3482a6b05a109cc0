// Questions to the desk's API, and what the page says while it waits.

import { useEffect, useState } from './view.js';

/** A refusal of the desk, or no answer at all; the message is a sentence to show. */
export class Refusal extends Error {}

/**
 * @param {string} path such as `/api/laps`
 * @param {AbortSignal} signal
 * @returns {Promise<any>}
 */
async function ask(path, signal) {
  let response;
  try {
    response = await fetch(path, { signal, headers: { accept: 'application/json' } });
  } catch (error) {
    if (signal.aborted) throw error;
    throw new Refusal('The desk does not answer. It may have been closed: start it again in the terminal, then try again. Nothing was lost.');
  }
  let value;
  try {
    value = await response.json();
  } catch (error) {
    if (signal.aborted) throw error;
    throw new Refusal(`The desk answered with something that is not JSON (status ${response.status}). Load the page anew; nothing was lost.`);
  }
  if (!response.ok) throw new Refusal(value?.error ?? `The desk refused with status ${response.status}.`);
  return value;
}

/**
 * @typedef {object} Answer
 * @property {'waiting' | 'stopped' | 'failed' | 'done'} state
 * @property {any} value the answer when done
 * @property {string} error the sentence when failed
 * @property {number} waitedMs how long it has taken so far, in steps
 * @property {() => void} again asks once more
 * @property {() => void} stop gives up waiting
 */

/** Waits shorter than this pass without a word. */
export const QUIET_MS = 300;
/** From here on the page says how long it has been, and offers to stop. */
export const LONG_MS = 2000;

/**
 * Asks `path` and follows it; null asks nothing.
 * @param {string | null} path
 * @returns {Answer}
 */
export function useAnswer(path) {
  const [turn, setTurn] = useState(0);
  const [now, setNow] = useState({ path: null, state: 'waiting', value: null, error: '', waitedMs: 0, stop: () => {} });
  useEffect(() => {
    if (path === null) return undefined;
    const control = new AbortController();
    const began = performance.now();
    let open = true;
    const settle = (change) => {
      if (!open) return;
      open = false;
      clearInterval(clock);
      setNow((was) => ({ ...was, ...change }));
    };
    const stop = () => {
      settle({ state: 'stopped' });
      control.abort();
    };
    const clock = setInterval(() => {
      const waitedMs = performance.now() - began;
      if (waitedMs >= QUIET_MS) setNow((was) => ({ ...was, waitedMs }));
    }, 100);
    setNow({ path, state: 'waiting', value: null, error: '', waitedMs: 0, stop });
    ask(path, control.signal).then(
      (value) => settle({ state: 'done', value }),
      (error) => {
        if (!(error instanceof Refusal) && !control.signal.aborted) console.error(error);
        settle({ state: 'failed', error: error.message });
      },
    );
    return () => {
      open = false;
      clearInterval(clock);
      control.abort();
    };
  }, [path, turn]);
  // Until the effect has run for a new path, the old answer is not an answer to it.
  const current = now.path === path ? now : { ...now, state: 'waiting', value: null, waitedMs: 0 };
  return { ...current, again: () => setTurn((t) => t + 1) };
}
