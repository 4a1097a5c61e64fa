/**
 * How likely do two correlated readings both lie below their limits?
 */
import { normalCdf } from "./normal.ts";

// Gauss and Legendre's rule with 20 points, abscissas and weights of the positive half (Abramowitz and Stegun, table 25.4).
const POINTS: readonly (readonly [number, number])[] = [
  [0.0765265211334973, 0.1527533871307258],
  [0.2277858511416451, 0.1491729864726037],
  [0.37370608871541955, 0.142096109318382],
  [0.5108670019508271, 0.1316886384491766],
  [0.636053680726515, 0.1181945319615184],
  [0.7463319064601508, 0.1019301198172404],
  [0.8391169718222188, 0.0832767415767048],
  [0.912234428251326, 0.0626720483341091],
  [0.9639719272779138, 0.0406014298003869],
  [0.9931285991850949, 0.0176140071391521],
];

/**
 * P(X <= h and Y <= k) of two standard normal variables with correlation `rho`, to about 1e-7 up to |rho| 0.98.
 * Genz, Statistics and Computing 14 (2004) 251-260, equation 3 (Plackett's integral over the correlation, by asin).
 */
export function bivariateNormalCdf(h: number, k: number, rho: number): number {
  const base = normalCdf(h) * normalCdf(k);
  if (rho === 0 || !Number.isFinite(h) || !Number.isFinite(k)) return base;
  const half = Math.asin(Math.max(-1, Math.min(1, rho))) / 2;
  const squares = (h * h + k * k) / 2;
  const at = (x: number) => {
    const sine = Math.sin(half * (x + 1));
    return Math.exp((sine * h * k - squares) / (1 - sine * sine));
  };
  let sum = 0;
  for (const [x, weight] of POINTS) sum += weight * (at(x) + at(-x));
  return Math.max(0, Math.min(1, base + (sum * half) / (2 * Math.PI)));
}
