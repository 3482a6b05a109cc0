// The view library under one name, so that a page imports from one place.

import { h, render, Fragment } from './vendor/preact.mjs';
import { useCallback, useEffect, useLayoutEffect, useMemo, useRef, useState } from './vendor/preact-hooks.mjs';
import htm from './vendor/htm.mjs';

export const html = htm.bind(h);
export { Fragment, render, useCallback, useEffect, useLayoutEffect, useMemo, useRef, useState };

/**
 * Width of the element behind `ref` in CSS pixels, whole; 0 before the first layout.
 * @param {{current: Element | null}} ref
 * @returns {number}
 */
export function useWidth(ref) {
  const [width, setWidth] = useState(0);
  useLayoutEffect(() => {
    const element = ref.current;
    if (!element) return undefined;
    const measure = () => setWidth(Math.floor(element.getBoundingClientRect().width));
    measure();
    const watcher = new ResizeObserver(measure);
    watcher.observe(element);
    return () => watcher.disconnect();
  }, []);
  return width;
}

/**
 * Whether a media query holds, and from then on.
 * @param {string} query
 * @returns {boolean}
 */
export function useMedia(query) {
  const list = useMemo(() => window.matchMedia(query), [query]);
  const [holds, setHolds] = useState(list.matches);
  useEffect(() => {
    const change = () => setHolds(list.matches);
    change();
    list.addEventListener('change', change);
    return () => list.removeEventListener('change', change);
  }, [list]);
  return holds;
}
