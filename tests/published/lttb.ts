/**
 * Which points of a long series should a chart draw so that it keeps its shape?
 */

/**
 * Indices chosen by largest-triangle-three-buckets. S. Steinarsson, "Downsampling Time Series for Visual Representation",
 * University of Iceland, 2013. Keeps the first and the last point. x must strictly increase and have no gaps: split
 * at gaps first, or a dropout is drawn as a straight line. Prefers extremes: never compute on its output.
 */
export function lttbIndices(
  points: readonly { readonly x: number; readonly y: number }[],
  wanted: number,
): number[] {
  const n = points.length;
  if (wanted >= n || n <= 2) {
    return points.map((_, i) => i);
  }
  if (wanted < 3) {
    return [0, n - 1];
  }
  const chosen = [0];
  const width = (n - 2) / (wanted - 2);
  let previous = 0;
  for (let bucket = 0; bucket < wanted - 2; bucket += 1) {
    const from = Math.floor(bucket * width) + 1;
    const to = Math.floor((bucket + 1) * width) + 1;
    const nextTo = Math.min(n, Math.floor((bucket + 2) * width) + 1);
    let sumX = 0;
    let sumY = 0;
    for (let i = to; i < nextTo; i += 1) {
      sumX += points[i]?.x ?? 0;
      sumY += points[i]?.y ?? 0;
    }
    const averageX = sumX / (nextTo - to);
    const averageY = sumY / (nextTo - to);
    const ax = points[previous]?.x ?? 0;
    const ay = points[previous]?.y ?? 0;
    let largest = -1;
    let best = from;
    for (let i = from; i < to; i += 1) {
      // Twice the area; the factor does not change which is largest.
      const area = Math.abs(
        (ax - averageX) * ((points[i]?.y ?? 0) - ay) - (ax - (points[i]?.x ?? 0)) * (averageY - ay),
      );
      if (area > largest) {
        largest = area;
        best = i;
      }
    }
    chosen.push(best);
    previous = best;
  }
  chosen.push(n - 1);
  return chosen;
}
