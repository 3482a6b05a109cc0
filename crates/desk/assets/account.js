// The account: entries as sentences, and a foot that must equal the gap.

import { html, useEffect, useLayoutEffect, useMemo, useRef, useState } from './view.js';
import { account as figure, show, useUnits } from './units.js';
import { fromLine, unbroken } from './parts.js';
import { LEVEL_S, causeName, intervalWords, isCause, isExplained, ownerWord, sumsByCorner, sumsByOwner } from './causes.js';

/** The sum and the gap agree when they differ by no more than this [s]: half a unit of the last figure shown. */
const AGREES_S = 0.0005;

/** Ways to read the account: name, words, and which of the ledger's lists it shows. */
export const READINGS = [
  { by: 'time', words: 'by time lost', list: 'causes' },
  { by: 'track', words: 'along the track', list: 'causes' },
  { by: 'phase', words: 'by phase', list: 'phases' },
];

/**
 * A key for each entry that stays the same for the same ledger, for addresses: `T5-entry-release` for a cause, `T5-entry`
 * for a phase, with a number when it repeats. No key of one list is a key of the other.
 * @param {any[]} entries
 * @returns {any[]} the entries with `key` and `order`
 */
export function keyed(entries) {
  const seen = new Map();
  return entries.map((entry, order) => {
    const cause = isCause(entry) ? (entry.cause ?? 'unexplained') : entry.cause;
    const base = [fromLine(entry) ? 'line' : (entry.corner ?? 'lap'), entry.phase, cause].filter(Boolean).join('-').replaceAll('_', '-').replaceAll(' ', '-');
    const count = (seen.get(base) ?? 0) + 1;
    seen.set(base, count);
    return { ...entry, key: count === 1 ? base : `${base}-${count}`, order };
  });
}

const isLevel = (entry) => Math.abs(entry.seconds) < LEVEL_S;
const total = (entries) => entries.reduce((sum, e) => sum + e.seconds, 0);

/** Level entries as one row that unfolds; a single one stands for itself. */
function gathered(level, fold, unfolded, others) {
  if (level.length === 0) return [];
  if (level.length === 1) return [{ entry: level[0], isLevel: true }];
  const rows = [{ fold, count: level.length, seconds: total(level), others }];
  if (unfolded.has(fold)) rows.push(...level.map((entry) => ({ entry, isLevel: true })));
  return rows;
}

/**
 * What stands in the account, from top to bottom.
 * @param {any[]} entries keyed
 * @param {'time' | 'track' | 'phase'} by
 * @param {Set<string>} unfolded which gathered rows show their entries
 * @param {boolean} [gains] whether the lap gains: then its gains come first
 */
export function rowsOf(entries, by, unfolded, gains = false) {
  if (by === 'time') {
    const sorted = [...entries].sort((a, b) => (gains ? a.seconds - b.seconds : b.seconds - a.seconds) || a.order - b.order);
    const told = sorted.filter((e) => !isLevel(e));
    return [
      ...told.map((entry) => ({ entry })),
      ...gathered(sorted.filter(isLevel), 'level', unfolded, told.length > 0),
    ];
  }
  const groups = [];
  for (const entry of entries) {
    const corner = fromLine(entry) ? '' : entry.corner;
    if (groups.at(-1)?.corner !== corner) groups.push({ corner, entries: [] });
    groups.at(-1).entries.push(entry);
  }
  return groups.flatMap(({ corner, entries: of }) => {
    const told = of.filter((e) => !isLevel(e));
    return [
      { head: true, corner, seconds: total(of) },
      ...told.map((entry) => ({ entry })),
      ...gathered(of.filter(isLevel), `level-${corner}`, unfolded, told.length > 0),
    ];
  });
}

/**
 * @param {{ledger: any, causes: any[], entries: any[], by: string, setBy: (by: string) => void, opened: string,
 *   open: (key: string) => void, inline: ((entry: any) => any) | null}} props
 *   `entries` are those of the reading; `inline` draws the evidence below its row, null when it is shown beside the account
 */
export function Account({ ledger, causes, entries, by, setBy, opened, open, inline }) {
  const [unfolded, setUnfolded] = useState(() => new Set());
  const list = useRef(null);
  const gains = ledger.gap_s < 0;
  const rows = useMemo(() => rowsOf(entries, by, unfolded, gains), [entries, by, unfolded, gains]);
  const scale = useMemo(() => scaleOf(rows.map((r) => r.entry?.seconds ?? (r.fold ? r.seconds : 0))), [rows]);
  const sum = total(entries);
  const agrees = Math.abs(sum - ledger.gap_s) < AGREES_S;
  const unfold = (fold) =>
    setUnfolded((before) => {
      const after = new Set(before);
      if (!after.delete(fold)) after.add(fold);
      return after;
    });
  // An address may open an entry that is gathered with others.
  const hidden = entries.some((e) => e.key === opened) && !rows.some((r) => r.entry?.key === opened);
  useEffect(() => {
    if (!hidden) return;
    const entry = entries.find((e) => e.key === opened);
    setUnfolded((before) => new Set(before).add(by === 'time' ? 'level' : `level-${fromLine(entry) ? '' : entry.corner}`));
  }, [opened, by, entries]);

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
  const first = rows.find((r) => r.entry || r.fold);
  const stop = rows.find((r) => r.entry?.key === opened)?.entry.key ?? first?.entry?.key ?? first?.fold;
  const readings = READINGS.filter((r) => r.list === 'causes' || ledger.phases?.length > 0);

  return html`<section class="account" aria-labelledby="account-title" style=${{ '--axis': `${(100 * scale.axis).toFixed(2)}%` }}>
    <div class="account-head">
      <h2 id="account-title">The account</h2>
      <div class="switch" role="group" aria-label="How the account is read">
        ${readings.map((r) => html`<button type="button" data-by=${r.by} aria-pressed=${by === r.by} onClick=${() => setBy(r.by)}>${r.by === 'time' && gains ? 'by time gained' : r.words}</button>`)}
      </div>
    </div>
    <${Sums} ledger=${ledger} causes=${causes} />
    <div class="account-columns" aria-hidden="true"><span>Entry</span><span class="sides"><span>gained</span><span>lost, s</span></span></div>
    <ol class="rows" ref=${list} onKeyDown=${move}>
      ${rows.map((row) => {
        if (row.head) {
          return html`<li key=${`head-${row.corner}`} class="corner-head">
            <span>${cornerWords(ledger, row.corner)}</span><span class="figure">${figure(row.seconds)}</span></li>`;
        }
        if (row.fold) {
          const isOpen = unfolded.has(row.fold);
          return html`<li key=${row.fold}><button type="button" class="row level" tabindex=${stop === row.fold ? 0 : -1} aria-expanded=${isOpen} onClick=${() => unfold(row.fold)}>
            <span class="say"><span class="sentence">${row.count} ${row.others ? 'more entries' : 'entries'}, level within ${LEVEL_S.toFixed(3)}\u00a0s</span>
              <span class="where">${isOpen ? 'fold them away' : 'show them'}</span></span>
            <${Seconds} seconds=${row.seconds} scale=${scale} /></button></li>`;
        }
        const { entry } = row;
        return html`<${Row} key=${entry.key} ledger=${ledger} entry=${entry} scale=${scale} isOpen=${entry.key === opened} stop=${entry.key === stop} isLevel=${row.isLevel} open=${openInPlace} inline=${inline} />`;
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

/** The same gap, summed by owner and by corner. */
function Sums({ ledger, causes }) {
  const owners = useMemo(() => sumsByOwner(causes), [causes]);
  const corners = useMemo(() => sumsByCorner(causes), [causes]);
  const firstCorner = ledger.corners[0]?.name ?? 'the first corner';
  const part = ({ name, seconds }) => html`<span class=${`part ${isLevel({ seconds }) ? 'is-level' : ''} ${name === 'Line' ? 'from-line' : ''}`} key=${name}>
    <span>${name === 'Line' ? `line to ${firstCorner}` : name}</span> <span class="figure">${figure(seconds)}</span></span>`;
  return html`<dl class="sums">
    <div class="by-owner"><dt>Whose it is, s</dt><dd>${owners.map(part)}</dd></div>
    <div class="by-corner"><dt>Where it is, s</dt><dd>${corners.map(part)}</dd></div>
  </dl>`;
}

function cornerWords(ledger, name) {
  if (name === '') return `From the line to ${ledger.corners[0]?.name ?? 'the first corner'}`;
  const corner = ledger.corners.find((c) => c.name === name);
  if (!corner) return name ?? 'Between the corners';
  return `${name}, to the ${corner.direction}`;
}

/** The small words below the sentence of a row. */
function Where({ entry, ledger }) {
  const [system] = useUnits();
  if (!isCause(entry)) {
    return html`<span class="where">${show(entry.from_m, 'distance', system, { bare: true })} to ${show(entry.to_m, 'distance', system)}</span>`;
  }
  if (!isExplained(entry)) return html`<span class="where">${causeName(entry, ledger)} · ${ownerWord(entry)}</span>`;
  return html`<span class="where">${causeName(entry, ledger)} · <span class="word">${ownerWord(entry)}</span> · <span class="word">${entry.certainty}</span>${' '}
    <span class="interval">${intervalWords(entry.interval)}</span></span>`;
}

function Row({ ledger, entry, scale, isOpen, stop, isLevel: level, open, inline }) {
  const id = `evidence-${entry.key}`;
  const quiet = level || (isCause(entry) && !isExplained(entry));
  return html`<li class=${`${isOpen ? 'is-open' : ''} ${quiet ? 'is-quiet' : ''}`}>
    <button type="button" class="row" data-entry=${entry.key} tabindex=${stop ? 0 : -1} aria-expanded=${isOpen} aria-controls=${inline ? id : 'evidence'}
      onClick=${(e) => open(isOpen && inline ? '' : entry.key, e.currentTarget)}>
      <span class="say">
        <span class="sentence">${unbroken(entry.sentence)}</span>
        <${Where} entry=${entry} ledger=${ledger} />
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
