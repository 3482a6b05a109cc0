// The keys, in a sheet that `?` opens.

import { html, useEffect, useRef } from './view.js';

const KEYS = [
  ['Choosing a lap', [[['↑', '↓'], 'the lap before, the next one'], [['Enter'], 'open the account of the chosen lap']]],
  ['The account', [[['↑', '↓'], 'the row above, the row below'], [['Home', 'End'], 'first and last row'], [['Enter'], 'open or close the row'], [['Esc'], 'close the evidence below a row']]],
  ['The cursor on the curves', [[['←', '→'], 'one metre back, one metre on'], [['Shift ←', 'Shift →'], 'ten metres'], [['Page Up', 'Page Down'], 'a larger step on or back'], [['Home', 'End'], 'begin and end of what is drawn']]],
  ['Everywhere', [[['Tab'], 'from part to part of the page'], [['?'], 'this sheet'], [['Esc'], 'close this sheet']]],
];

/** Types of fields in which `?` is a character. */
const WRITES = 'textarea, select, input:not([type=radio]):not([type=checkbox])';

export function KeySheet() {
  const sheet = useRef(null);
  useEffect(() => {
    const show = () => sheet.current.open || sheet.current.showModal();
    const press = (event) => {
      if (event.key !== '?' || event.ctrlKey || event.metaKey || event.altKey || event.target.closest?.(WRITES)) return;
      event.preventDefault();
      if (sheet.current.open) sheet.current.close();
      else show();
    };
    window.addEventListener('show-keys', show);
    window.addEventListener('keydown', press);
    return () => {
      window.removeEventListener('show-keys', show);
      window.removeEventListener('keydown', press);
    };
  }, []);
  // A click beside the sheet closes it: only the backdrop's clicks have the dialog itself as target.
  return html`<dialog class="keys" ref=${sheet} aria-labelledby="keys-title" onClick=${(e) => e.target === e.currentTarget && e.currentTarget.close()}>
    <div class="keys-sheet">
      <h2 id="keys-title">The keys</h2>
      ${KEYS.map(([where, keys]) => html`<section key=${where}><h3>${where}</h3>
        <dl>${keys.map(([names, does]) => html`<div><dt>${names.map((k) => html`<kbd>${k}</kbd> `)}</dt><dd>${does}</dd></div>`)}</dl></section>`)}
      <p><button type="button" onClick=${() => sheet.current.close()}>Close</button></p>
    </div>
  </dialog>`;
}
