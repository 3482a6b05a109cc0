// What to mind? Cautions for hands, bodies and real cars.

import { html, useEffect } from '../view.js';
import { Colophon, Masthead } from '../parts.js';

const CAUTIONS = [
  ['Strong wheelbases', 'They can hurt hands and wrists. Hands off the wheel at power-up, start at low gain, remove loose cuffs, and know where the off switch is.'],
  ['Stiff pedals', 'Pedals of 100 kgf and more need a bolted frame: a foot that pushes that hard moves whatever is not fixed.'],
  ['Long evenings', 'Take breaks, against strain and against motion sickness. Stop when something hurts or the stomach turns; the book keeps.'],
  ['Real cars', 'What stands in this book is for simulators. On a real car follow the maker’s data, local rules and qualified people.'],
];

export function CautionsPage() {
  useEffect(() => {
    document.title = 'What is there to mind? · Lapwright';
  }, []);
  return html`<${Masthead} back />
    <main class="cautions-page">
      <h1>What is there to mind?</h1>
      <p class="answer">Strong hardware and long sessions can hurt. Four things before the next lap.</p>
      <dl class="cautions">${CAUTIONS.map(([what, text]) => html`<div key=${what}><dt>${what}</dt><dd>${text}</dd></div>`)}</dl>
      <p><a class="button" href="#/">To the laps</a></p>
    </main><${Colophon} />`;
}
