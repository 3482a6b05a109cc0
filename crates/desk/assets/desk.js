// The page's beginning: which question the address asks.

import { html, render, useEffect, useState } from './view.js';
import { LapsPage } from './pages/laps.js';
import { LedgerPage } from './pages/ledger.js';
import { CautionsPage } from './pages/cautions.js';
import { KeySheet } from './keys.js';
import { Colophon, Masthead } from './parts.js';

/** The words of the address behind `#/`. */
function words() {
  const text = location.hash.replace(/^#\/?/, '');
  try {
    return text.split('/').filter((w) => w !== '').map(decodeURIComponent);
  } catch {
    return ['?']; // Not an address that this page writes.
  }
}

function Desk() {
  return html`<${Page} /><${KeySheet} />`;
}

function Page() {
  const [place, setPlace] = useState(words);
  useEffect(() => {
    const follow = () => setPlace(words());
    window.addEventListener('hashchange', follow);
    return () => window.removeEventListener('hashchange', follow);
  }, []);
  const [page, lap, against, entry] = place;
  // A new question starts at its top; opening an entry of the same account does not.
  const question = [page, lap, against].join('/');
  useEffect(() => window.scrollTo(0, 0), [question]);
  if (page === undefined) return html`<${LapsPage} />`;
  if (page === 'time' && lap) return html`<${LedgerPage} lap=${lap} against=${against ?? 'best'} entry=${entry ?? ''} />`;
  if (page === 'cautions') return html`<${CautionsPage} />`;
  return html`<${Masthead} />
    <main><h1>Which page is this?</h1>
      <p class="answer">The book has no page at this address. <a href="#/">Go to the laps</a>.</p></main><${Colophon} />`;
}

const root = document.getElementById('desk');
root.replaceChildren();
render(html`<${Desk} />`, root);
