// Which laps are in the book?

import { html, useEffect, useMemo, useState } from '../view.js';
import { useAnswer } from '../api.js';
import { account, duration, lapTime } from '../units.js';
import { Colophon, KINDS, LapOptions, LineSample, Masthead, Pending, bestFor, comparableWith, lapWords, ledgerAddress } from '../parts.js';

export function LapsPage() {
  const library = useAnswer('/api/library');
  const laps = useAnswer('/api/laps');
  useEffect(() => {
    document.title = 'Which laps are in the book? · Lapwright';
  }, []);
  const ready = library.state === 'done' && laps.state === 'done';
  const pending = library.state === 'done' ? laps : library;
  return html`<${Masthead} name=${library.value?.name} />
    <main class="laps-page">
      <h1>Which laps are in the book?</h1>
      ${!ready && html`<${Pending} answer=${pending} doing="Reading the library" />`}
      ${ready && (library.value.recordings.length === 0 ? html`<${EmptyBook} />` : html`<${Book} recordings=${library.value.recordings} laps=${laps.value} />`)}
    </main><${Colophon} />`;
}

function EmptyBook() {
  return html`<p class="answer">None yet. A recording of a drive fills the book; its laps are found by themselves.</p>
    <section class="advice">
      <h2>From your own drives</h2>
      <p>Let your simulator write a log as CSV or Parquet, then say in a terminal:</p>
      <pre><code>lapwright import DRIVE.csv --driver NAME --car CAR --circuit CIRCUIT</code></pre>
      <p>Speed, pedals and steering are enough to begin with. Position makes the map and the line.</p>
      <h2>To look around first</h2>
      <p>An invented season of two drivers on an invented circuit comes with the program:</p>
      <pre><code>lapwright demo</code></pre>
      <p><button type="button" onClick=${() => location.reload()}>Look again</button></p>
    </section>`;
}

const plural = (n, one, many = `${one}s`) => `${n} ${n === 1 ? one : many}`;

function Book({ recordings, laps }) {
  const timed = laps.filter((l) => l.kind === 'timed' && l.valid && l.lap_time_s !== null);
  const fastest = timed.reduce((best, l) => (best === null || l.lap_time_s < best.lap_time_s ? l : best), null);
  const circuits = new Set(timed.map((l) => l.circuit));
  const choosable = laps.filter((l) => l.lap_time_s !== null);
  const first = useMemo(() => {
    // The best lap of the newest recording, unless it is the one to measure against.
    const of = (name) => timed.filter((l) => l.recording === name).sort((a, b) => a.lap_time_s - b.lap_time_s)[0];
    const bests = recordings.map((r) => of(r.name)).filter((l) => l);
    return bests.find((l) => bestFor(laps, l).id !== l.id) ?? bests[0] ?? choosable[0] ?? null;
  }, [recordings, laps]);
  const [lap, setLap] = useState(first?.id ?? '');
  const [against, setAgainst] = useState('best');
  const chosen = laps.find((l) => l.id === lap) ?? null;
  const references = comparableWith(laps, chosen).filter((l) => l.id !== lap);
  // A reference of another circuit, or the lap itself, is not kept.
  const reference = references.some((l) => l.id === against) ? against : 'best';
  const open = () => {
    location.hash = ledgerAddress(lap, reference).slice(1);
  };

  return html`<div class="shelf"><div>
    <p class="answer">
      ${plural(recordings.length, 'recording')} with ${plural(laps.length, 'lap')}, ${timed.length || 'none'} of them timed and valid.
      ${fastest && circuits.size === 1 && ` The fastest is ${lapTime(fastest.lap_time_s)}: ${fastest.driver ? `${fastest.driver}, ` : ''}${lapWords(fastest)}.`}
    </p>
    ${choosable.length === 0 &&
    html`<p class="doubt">No lap has a time yet. A lap needs to cross the line twice in one recording; the remarks below say what each one lacks.
      Drive on for one more lap and import that recording.</p>`}
    <form class="recordings" onSubmit=${(e) => e.preventDefault()} onKeyDown=${(e) => {
      if (e.key === 'Enter' && e.target.type === 'radio') open();
    }}>
      ${recordings.map((r) => html`<${Recording} key=${r.name} recording=${r} all=${laps} chosen=${lap} choose=${setLap} />`)}
    </form></div>
    ${chosen && html`<${Choice} chosen=${chosen} laps=${laps} references=${references} reference=${reference} choose=${setAgainst} />`}
  </div>`;
}

function Choice({ chosen, laps, references, reference, choose }) {
  const best = bestFor(laps, chosen, { other: true });
  return html`<div class="choice" role="group" aria-label="The chosen laps">
    <h2>An account of two laps</h2>
    <p class="chosen">
      <span class="label"><${LineSample} of="lap" /> this lap</span>
      <span><strong>${lapWords(chosen)}</strong>, <span class="figure">${lapTime(chosen.lap_time_s)}</span></span>
    </p>
    <label>
      <span class="label"><${LineSample} of="reference" /> against</span>
      <select value=${reference} onChange=${(e) => choose(e.currentTarget.value)} disabled=${references.length === 0}>
        <option value="best">${best ? `the best lap: ${best.driver ? `${best.driver}, ` : ''}${lapTime(best.lap_time_s)}` : 'the best lap'}</option>
        <${LapOptions} laps=${references} />
      </select>
    </label>
    ${references.length === 0
      ? html`<p class="label">There is no second timed lap at ${chosen.circuit ?? 'this circuit'} to measure against yet.</p>`
      : html`<a class="button" href=${ledgerAddress(chosen.id, reference)}>Where is the time?</a>`}
  </div>`;
}

/** Day and time of an RFC 3339 stamp in the reader's own time. */
function stamp(text) {
  const date = new Date(text);
  if (Number.isNaN(date.getTime())) return null;
  return new Intl.DateTimeFormat('en-GB', { day: 'numeric', month: 'long', year: 'numeric', hour: '2-digit', minute: '2-digit' }).format(date);
}

function Recording({ recording, all, chosen, choose }) {
  const laps = all.filter((l) => l.recording === recording.name);
  const bestHere = laps
    .filter((l) => l.kind === 'timed' && l.valid && l.lap_time_s !== null)
    .reduce((best, l) => (best === null || l.lap_time_s < best.lap_time_s ? l : best), null);
  const best = laps.length > 0 ? bestFor(all, laps[0]) : null;
  const who = [recording.driver ?? recording.name, recording.car].filter(Boolean).join(', ');
  const driven = recording.recorded_at ? stamp(recording.recorded_at) : null;
  const imported = recording.imported_at ? stamp(recording.imported_at) : null;
  const facts = [
    recording.driver && recording.name,
    driven ? `driven ${driven}` : imported && `imported ${imported}`,
    `${plural(laps.length, 'lap')} in ${duration(recording.duration_s)}`,
  ].filter(Boolean);
  return html`<section class="recording" aria-label=${`Recording ${recording.name}`}>
    <h2>${who}${recording.circuit ? ` at ${recording.circuit}` : ''}</h2>
    <p class="facts">${facts.join(' · ')}</p>
    ${recording.note && html`<p class="facts">${recording.note}</p>`}
    <table class="laps" role="table">
      <thead><tr role="row">
        <th scope="col" role="columnheader">Lap</th>
        <th scope="col" role="columnheader">Kind</th>
        <th scope="col" role="columnheader" class="figure">Lap time</th>
        <th scope="col" role="columnheader" class="figure">To the best</th>
        <th scope="col" role="columnheader">Remarks</th>
      </tr></thead>
      <tbody>
        ${laps.map((l) => html`<${LapRow} key=${l.id} lap=${l} best=${best} bestHere=${bestHere} chosen=${chosen === l.id} choose=${choose} />`)}
        ${laps.length === 0 && html`<tr role="row"><td role="cell" colspan="5" class="remarks">No laps were found in this recording.</td></tr>`}
      </tbody>
    </table>
  </section>`;
}

/** What is worth saying about a lap, in words. */
function remarks(lap, best, bestHere) {
  const said = [];
  if (best && lap.id === best.id) said.push('best lap of circuit and car');
  else if (bestHere && lap.id === bestHere.id) said.push('best of this recording');
  const notes = (lap.notes ?? []).join('; ');
  if (lap.kind === 'timed' && !lap.valid) said.push(notes ? `not valid: ${notes}` : 'not valid');
  else if (notes) said.push(notes);
  return said.join('; ');
}

function LapRow({ lap, best, bestHere, chosen, choose }) {
  const canChoose = lap.lap_time_s !== null;
  const name = `Lap ${lap.lap_number}`;
  const to = best && lap.lap_time_s !== null && lap.kind === 'timed' ? lap.lap_time_s - best.lap_time_s : null;
  return html`<tr role="row" class=${`${chosen ? 'is-chosen' : ''} ${canChoose ? 'can-choose' : ''}`} onClick=${canChoose ? () => choose(lap.id) : undefined}>
    <td role="cell" class="lap">
      ${canChoose
        ? html`<label><input type="radio" name="lap" value=${lap.id} checked=${chosen} onChange=${() => choose(lap.id)} /> ${name}</label>`
        : html`<span class="no-choice">${name}</span>`}
    </td>
    <td role="cell" class="kind">${KINDS[lap.kind] ?? lap.kind}</td>
    <td role="cell" class="figure time">${lap.lap_time_s === null ? '' : lapTime(lap.lap_time_s)}</td>
    <td role="cell" class="figure to-best">${to === null ? '' : to === 0 ? '' : account(to)}</td>
    <td role="cell" class="remarks">${remarks(lap, best, bestHere)}</td>
  </tr>`;
}
