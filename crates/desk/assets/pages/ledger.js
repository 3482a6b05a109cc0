// Where is the time?

import { html, useEffect, useMedia, useMemo, useRef, useState } from '../view.js';
import { useAnswer } from '../api.js';
import { lapTime, number } from '../units.js';
import { Colophon, LapOptions, LineSample, Masthead, Pending, bestFor, comparableWith, fromLine, lapWords, ledgerAddress, placeWords, unbroken } from '../parts.js';
import { LEVEL_S, causeWord, isExplained, ownerWord } from '../causes.js';
import { Account, READINGS, keyed } from '../account.js';
import { Evidence } from '../evidence.js';

/** From this width on the evidence stands beside the account, as in the style sheet. */
const BESIDE = '(min-width: 1240px)';

export function LedgerPage({ lap, against, entry }) {
  const query = `lap=${encodeURIComponent(lap)}&against=${encodeURIComponent(against)}`;
  const library = useAnswer('/api/library');
  const laps = useAnswer('/api/laps');
  const ledger = useAnswer(`/api/ledger?${query}`);
  const comparison = useAnswer(`/api/comparison?${query}`);
  useEffect(() => {
    document.title = `Where is the time? ${lap} · Lapwright`;
  }, [lap]);
  const all = laps.value ?? [];
  // The sentences name the laps, so they wait for them; they do without when the list fails.
  const ready = ledger.state === 'done' && laps.state !== 'waiting';
  const pending = ledger.state === 'done' ? laps : ledger;
  return html`<${Masthead} name=${library.value?.name} back />
    <main class="ledger-page">
      ${!ready && html`<h1>Where is the time?</h1><${Pending} answer=${pending} doing="Working out where the time is" />
        ${pending.state === 'failed' && html`<${Pair} ledger=${{ lap, reference: against }} laps=${all} against=${against} />`}`}
      ${ready && html`<${Ledger} key=${query} ledger=${ledger.value} laps=${all} against=${against} comparison=${comparison} chosen=${entry} />`}
    </main><${Colophon} />`;
}

/** Stands for the fastest lap that the car can do on the circuit. */
const LIMIT = 'limit';

/** Who drove which lap, as far as the library says. */
function saying(lap, id) {
  if (id === LIMIT) return { who: 'the limit lap of this car', takes: '' };
  if (!lap) return { who: id, takes: '' };
  return { who: lap.driver ? `${lap.driver}’s ${lapWords(lap)}` : lapWords(lap), takes: lapTime(lap.lap_time_s) };
}

/** The answer in one sentence, with its number, and the largest entry in a second one. */
function answerOf(ledger, entries, lap, reference) {
  const a = saying(lap, ledger.lap);
  const b = saying(reference, ledger.reference);
  const start = (text) => text.charAt(0).toUpperCase() + text.slice(1);
  const size = `${number(Math.abs(ledger.gap_s), 3)} s`;
  if (ledger.lap === ledger.reference) return [`${start(a.who)} is measured against itself, so every entry is zero.`, 'Choose another reference.'];
  const first =
    Math.abs(ledger.gap_s) < 0.0005
      ? `${start(a.who)} and ${b.who} take the same time to the millisecond.`
      : `${start(a.who)} is ${size} ${ledger.gap_s > 0 ? 'slower' : 'faster'} than ${b.who}.`;
  return [first, largestWords(largestOf(entries, ledger.gap_s), ledger)];
}

/**
 * The entry to speak of first: the largest loss of a lap that loses, the largest gain of one that gains. What has no cause
 * comes only when nothing else is there.
 */
function largestOf(entries, gapS) {
  const side = gapS >= 0 ? 1 : -1;
  const sorted = [...entries].sort((a, b) => side * (b.seconds - a.seconds));
  const explained = sorted.find(isExplained);
  const found = explained && side * explained.seconds >= LEVEL_S ? explained : sorted[0];
  return found && Math.abs(found.seconds) >= LEVEL_S ? found : null;
}

function largestWords(most, ledger) {
  if (!most) return '';
  const size = `${number(Math.abs(most.seconds), 3)} s`;
  const what = `The largest ${most.seconds > 0 ? 'loss' : 'gain'} is`;
  if (!isExplained(most)) return `${what} ${fromLine(most) ? placeWords(most, ledger) : `at ${most.corner}`}, ${size}: no cause is found for it yet.`;
  const owner = ownerWord(most);
  return `${what} the ${causeWord(most)} at ${most.corner}, ${size}: ${most.certainty}, and ${owner === 'not settled' ? 'not settled whose' : `the ${owner}’s`}.`;
}

function Ledger({ ledger, laps, against, comparison, chosen }) {
  const beside = useMedia(BESIDE);
  const lists = useMemo(() => ({ causes: keyed(ledger.entries), phases: keyed(ledger.phases ?? []) }), [ledger]);
  const isIn = (list, key) => lists[list].some((e) => e.key === key);
  const [by, setBy] = useState(() => (isIn('phases', chosen) ? 'phase' : 'time'));
  const [opened, setOpened] = useState(chosen);
  useEffect(() => {
    // The address was changed by hand or by going back.
    const list = Object.keys(lists).find((name) => isIn(name, chosen));
    if (!list) return;
    setOpened(chosen);
    setBy((before) => (READINGS.find((r) => r.by === before).list === list ? before : READINGS.find((r) => r.list === list).by));
  }, [chosen]);
  const lap = laps.find((l) => l.id === ledger.lap) ?? null;
  const reference = laps.find((l) => l.id === ledger.reference) ?? null;
  const list = READINGS.find((r) => r.by === by).list;
  const entries = lists[list];
  // Beside the account there is room for evidence at all times: begin with the largest entry.
  const largest = useMemo(() => {
    const sorted = [...entries].sort((a, b) => Math.abs(b.seconds) - Math.abs(a.seconds));
    const first = list === 'causes' ? largestOf(entries, ledger.gap_s) : sorted[0];
    return first && Math.abs(first.seconds) >= LEVEL_S ? first.key : '';
  }, [entries]);
  const showing = isIn(list, opened) ? opened : beside ? largest : '';
  const open = (key) => {
    setOpened(key);
    // The address follows without a step in the history for each row looked at.
    history.replaceState(null, '', ledgerAddress(ledger.lap, against, key));
  };
  const [first, second] = answerOf(ledger, lists.causes, lap, reference);
  const entry = entries.find((e) => e.key === showing) ?? null;
  const evidence = (e) => html`<${EvidenceOrWaiting} key=${e.key} ledger=${ledger} entry=${e} comparison=${comparison} />`;
  const doubts = [
    [lap, 'This lap'],
    [reference, 'The reference'],
  ].filter(([l]) => l && !l.valid);
  return html`<div class="opening"><div>
    <h1>Where is the time?</h1>
    <p class="answer">${unbroken(`${first} ${second}`)}</p>
    ${doubts.map(([l, who]) => html`<p class="doubt">${who} is not valid${l.notes?.length ? `: ${l.notes.join('; ')}` : ''}. Read its times with that in mind.</p>`)}
    </div>
    <${Pair} ledger=${ledger} laps=${laps} against=${against} />
    </div>
    <div class=${`spread ${beside ? 'beside' : 'below'}`}>
      <${Account} ledger=${ledger} causes=${lists.causes} entries=${entries} by=${by} setBy=${setBy} opened=${showing} open=${open} inline=${beside ? null : evidence} />
      ${beside && html`<${Aside}>${entry ? evidence(entry) : html`<p class="booking">Open an entry to see what it rests on.</p>`}<//>`}
    </div>`;
}

/** Stays in view while the account scrolls; what is taller than the window scrolls along until its end is in view. */
function Aside({ children }) {
  const place = useRef(null);
  useEffect(() => {
    const element = place.current;
    const settle = () => {
      element.style.top = `${Math.min(0, window.innerHeight - element.offsetHeight)}px`;
    };
    const watcher = new ResizeObserver(settle);
    watcher.observe(element);
    window.addEventListener('resize', settle);
    return () => {
      watcher.disconnect();
      window.removeEventListener('resize', settle);
    };
  }, []);
  return html`<aside id="evidence" class="aside" aria-label="Evidence" ref=${place}>${children}</aside>`;
}

function EvidenceOrWaiting({ ledger, entry, comparison }) {
  if (comparison.state !== 'done') return html`<${Pending} answer=${comparison} doing="Fetching the traces of both laps" />`;
  return html`<${Evidence} ledger=${ledger} entry=${entry} comparison=${comparison.value} />`;
}

/** The two laps, how their lines are drawn, and the choice of others. */
function Pair({ ledger, laps, against }) {
  const lap = laps.find((l) => l.id === ledger.lap);
  const reference = laps.find((l) => l.id === ledger.reference);
  const go = (a, b) => {
    location.hash = ledgerAddress(a, b).slice(1);
  };
  const choices = comparableWith(laps, lap ?? reference);
  const best = lap ? bestFor(laps, lap, { other: true }) : null;
  if (choices.length === 0) return null;
  return html`<div class="pair">
    <label class="of-lap"><span class="label"><${LineSample} of="lap" /> this lap</span>
      <select value=${ledger.lap} onChange=${(e) => go(e.currentTarget.value, against === e.currentTarget.value ? 'best' : against)}>
        <${LapOptions} laps=${choices} />
      </select></label>
    <label class="of-reference"><span class="label"><${LineSample} of="reference" /> reference</span>
      <select value=${against} onChange=${(e) => go(ledger.lap, e.currentTarget.value)}>
        <option value="best">The best lap${best ? `: ${best.driver ? `${best.driver}, ` : ''}${lapTime(best.lap_time_s)}` : ''}</option>
        <option value=${LIMIT}>The limit lap: the fastest this car can do</option>
        <${LapOptions} laps=${choices} />
      </select></label>
  </div>`;
}
