/**
 * When is a drawing painted again? One a frame, after the elements of the page: an update of many drawings never holds
 * a frame up, and a hidden tab paints nothing.
 */

const waiting = new Set<() => void>();
let isAsked = false;

/** Paints in a later frame; the same function waits once, however often it is asked for. */
export function paintSoon(paint: () => void): void {
  waiting.add(paint);
  if (isAsked) return;
  isAsked = true;
  requestAnimationFrame(paintNext);
}

/** What is gone from the page is not painted. */
export function forgetPaint(paint: () => void): void {
  waiting.delete(paint);
}

function paintNext(): void {
  const [paint] = waiting;
  isAsked = waiting.size > 1;
  if (isAsked) requestAnimationFrame(paintNext);
  if (paint === undefined) return;
  waiting.delete(paint);
  paint();
}
