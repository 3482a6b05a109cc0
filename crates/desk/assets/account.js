// The account: entries as sentences, and a foot that must equal the gap.

import { html, useEffect, useLayoutEffect, useMemo, useRef, useState } from './view.js';
import { account as figure, show, useUnits } from './units.js';
import { fromLine, stretchName, unbroken } from './parts.js';

/** Entries below this size [s] are gathered in one row when sorted by time; own choice, only for reading. The row unfolds. */
export const SMALL_S = 0.01;

/** The sum and the gap agree when they differ by no more than this [s]: half a unit of the last figure shown. */
const AGREES_S = 0.0005;

/**
 * A key for each entry that stays the same for the same ledger, for addresses: `T5-entry`, with a number when it repeats.
 * @param {any[]} entries
 * @returns {any[]} the entries with `key` and `order`
 */
export function keyed(entries) {
  const seen = new Map();
  return entries.map((entry, order) => {
    const base = [fromLine(entry) ? 'line' : (entry.corner ?? 'lap'), entry.phase, entry.cause].filter(Boolean).join('-').replaceAll('_', '-').replaceAll(' ', '-');
    const count = (seen.get(base) ?? 0) + 1;
    seen.set(base, count);
    return { ...entry, key: count === 1 ? base : `${base}-${count}`, order };
  });
}

/**
 * What stands in the account, from top to bottom.
 * @param {any[]} entries keyed
 * @param {'time' | 'track'} by
 * @param {boolean} all show the small ones too
 */
function rowsOf(entries, by, all) {
  if (by === 'track') {
    const rows = [];
    for (const entry of entries) {
      const corner = fromLine(entry) ? '' : entry.corner;
      const head = rows.findLast((r) => r.head);
      if (head?.corner !== corner) rows.push({ head: true, corner, seconds: 0 });
      rows.findLast((r) => r.head).seconds += entry.seconds;
      rows.push({ entry });
    }
    return rows;
  }
  const sorted = [...entries].sort((a, b) => b.seconds - a.seconds || a.order - b.order);
  const small = sorted.filter((e) => Math.abs(e.seconds) < SMALL_S);
  if (small.length < 2) return sorted.map((entry) => ({ entry }));
  const rows = sorted.filter((e) => e.seconds >= SMALL_S).map((entry) => ({ entry }));
  rows.push({ small: true, count: small.length, seconds: small.reduce((sum, e) => sum + e.seconds, 0) });
  if (all) rows.push(...small.map((entry) => ({ entry, isSmall: true })));
  rows.push(...sorted.filter((e) => e.seconds <= -SMALL_S).map((entry) => ({ entry })));
  return rows;
}

/**
 * @param {{ledger: any, entries: any[], opened: string, open: (key: string) => void, inline: ((entry: any) => any) | null}} props
 *   `inline` draws the evidence below its row; null when it is shown beside the account
 */
export function Account({ ledger, entries, opened, open, inline }) {
  const [by, setBy] = useState('time');
  const [all, setAll] = useState(false);
  const list = useRef(null);
  const rows = useMemo(() => rowsOf(entries, by, all), [entries, by, all]);
  const scale = useMemo(() => scaleOf(rows.map((r) => r.entry?.seconds ?? (r.small ? r.seconds : 0))), [rows]);
  const sum = entries.reduce((total, e) => total + e.seconds, 0);
  const agrees = Math.abs(sum - ledger.gap_s) < AGREES_S;
  const smallHidden = by === 'time' && !all && entries.some((e) => e.key === opened && Math.abs(e.seconds) < SMALL_S);
  useEffect(() => {
    if (smallHidden) setAll(true); // An address may open an entry that would be gathered.
  }, [smallHidden]);

  // A fold that closes above a row would move it away from the finger that opened it: the row keeps its place.
  const kept = useRef(null);
  const openInPlace = (key, button) => {
    if (inline && button) kept.current = { button, top: button.getBoundingClientRect().top };
    open(key);
  };
  useLayoutEffect(() => {
    const { button, top } = kept.current ?? {};
    kept.current = null;
    if (button?.isConnected) window.scrollBy({ top: button.getBoundingClientRect().top - top, behavior: 'instant' });
  }, [opened]);

  const move = (event) => {
    const buttons = [...list.current.querySelectorAll('button.row')];
    const here = buttons.indexOf(document.activeElement);
    if (here < 0) return;
    const to = { ArrowDown: here + 1, ArrowUp: here - 1, Home: 0, End: buttons.length - 1 }[event.key];
    if (event.key === 'Escape' && inline && opened) open('');
    if (to === undefined) return;
    event.preventDefault();
    buttons[Math.min(buttons.length - 1, Math.max(0, to))].focus();
  };
  // One stop for the Tab key: the opened row, or the first.
  const stop = rows.find((r) => r.entry?.key === opened)?.entry.key ?? rows.find((r) => r.entry || r.small)?.entry?.key ?? 'small';

  return html`<section class="account" aria-labelledby="account-title" style=${{ '--axis': `${(100 * scale.axis).toFixed(2)}%` }}>
    <div class="account-head">
      <h2 id="account-title">The account</h2>
      <div class="switch" role="group" aria-label="Order of the entries">
        <button type="button" aria-pressed=${by === 'time'} onClick=${() => setBy('time')}>by time lost</button>
        <button type="button" aria-pressed=${by === 'track'} onClick=${() => setBy('track')}>along the track</button>
      </div>
    </div>
    <div class="account-columns" aria-hidden="true"><span>Entry</span><span class="sides"><span>gained</span><span>lost, s</span></span></div>
    <ol class="rows" ref=${list} onKeyDown=${move}>
      ${rows.map((row) => {
        if (row.head) {
          return html`<li key=${`head-${row.corner}`} class="corner-head">
            <span>${cornerWords(ledger, row.corner)}</span><span class="figure">${figure(row.seconds)}</span></li>`;
        }
        if (row.small) {
          return html`<li key="small"><button type="button" class="row small" tabindex=${stop === 'small' ? 0 : -1} aria-expanded=${all} onClick=${() => setAll(!all)}>
            <span class="say"><span class="sentence">${row.count} small entries, each under ${SMALL_S.toFixed(3)}\u00a0s, together:</span>
              <span class="where">${all ? 'fold them away' : 'show them'}</span></span>
            <${Seconds} seconds=${row.seconds} scale=${scale} /></button></li>`;
        }
        const { entry } = row;
        return html`<${Row} key=${entry.key} ledger=${ledger} entry=${entry} scale=${scale} isOpen=${entry.key === opened} stop=${entry.key === stop} isSmall=${row.isSmall} open=${openInPlace} inline=${inline} />`;
      })}
    </ol>
    <dl class="foot">
      <div><dt>Sum of the ${entries.length} entries</dt><dd class="figure" id="account-sum">${figure(sum)}</dd></div>
      <div><dt>Gap at the line</dt><dd class="figure" id="account-gap">${figure(ledger.gap_s)}</dd></div>
      <p class=${agrees ? 'agrees' : 'differs'}>${agrees
        ? 'They agree. Each figure is rounded by itself; the sum is of the exact values.'
        : `They differ by ${figure(sum - ledger.gap_s)} s: this account does not balance. Please report it.`}</p>
    </dl>
  </section>`;
}

function cornerWords(ledger, name) {
  if (name === '') return `From the line to ${ledger.corners[0]?.name ?? 'the first corner'}`;
  const corner = ledger.corners.find((c) => c.name === name);
  if (!corner) return name ?? 'Between the corners';
  return `${name}, to the ${corner.direction}`;
}

function Row({ ledger, entry, scale, isOpen, stop, isSmall, open, inline }) {
  const [system] = useUnits();
  const range = `${show(entry.from_m, 'distance', system, { bare: true })} to ${show(entry.to_m, 'distance', system)}`;
  const words = [entry.owner, entry.certainty].filter(Boolean);
  const id = `evidence-${entry.key}`;
  return html`<li class=${`${isOpen ? 'is-open' : ''} ${isSmall ? 'is-small' : ''}`}>
    <button type="button" class="row" data-entry=${entry.key} tabindex=${stop ? 0 : -1} aria-expanded=${isOpen} aria-controls=${inline ? id : 'evidence'}
      onClick=${(e) => open(isOpen && inline ? '' : entry.key, e.currentTarget)}>
      <span class="say">
        <span class="sentence">${unbroken(entry.sentence)}</span>
        <span class="where">${stretchName(entry, ledger)}, ${range}${words.map((w) => html` · <span class="word">${w}</span>`)}</span>
      </span>
      <${Seconds} seconds=${entry.seconds} scale=${scale} />
    </button>
    ${inline && isOpen && html`<div class="fold" id=${id}>${inline(entry)}</div>`}
  </li>`;
}

/**
 * Where the axis stands and how long a second is, in shares of the column: the same on both sides, and all bars fit.
 * @param {number[]} seconds
 */
export function scaleOf(seconds) {
  const lost = Math.max(1e-9, ...seconds);
  const gained = Math.max(1e-9, ...seconds.map((s) => -s));
  const axis = Math.min(0.85, Math.max(0.15, gained / (gained + lost)));
  return { axis, perSecond: Math.min(axis / gained, (1 - axis) / lost) };
}

/** Seconds over a bar: lost to the right of the axis, gained to its left and hatched. */
function Seconds({ seconds, scale }) {
  const share = Math.abs(seconds) * scale.perSecond;
  const side = seconds < 0 ? 'gained' : 'lost';
  return html`<span class="seconds">
    <span class=${`bar ${side}`} style=${{ '--share': `${(100 * share).toFixed(2)}%` }} aria-hidden="true"></span>
    <span class="figure">${figure(seconds)}<span class="unit"> s</span></span>
  </span>`;
}
