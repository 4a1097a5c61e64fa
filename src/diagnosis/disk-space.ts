/** Judges how much room the disk of the store has left, before it is full. */

/**
 * Octets below which room is low. A reception takes about 256 octets (measured: 69,625 in 17.8 MB, the orchard sample),
 * so this is a million of them: a week of that site, or a quarter of an hour at 1,000 a second. It also leaves room
 * for the log of changes, which an import or a rebuild makes as large as what it writes.
 */
export const MIN_FREE_BYTES = 256 * 1024 * 1024;

export interface DiskSpaceFacts {
  /** null: the system does not say. */
  readonly freeBytes: number | null;
  /** How fast room shrinks, whoever fills it; null: not known yet, or it does not shrink. */
  readonly lossBytesPerSecond: number | null;
}

export interface DiskSpaceJudgement {
  readonly state: "enough" | "low" | "unknown";
  /** Seconds until it is full at the present rate; null where that is not known. */
  readonly lastsSeconds: number | null;
  /** One or two sentences; empty unless low. */
  readonly words: string;
}

/** Returns "low" below MIN_FREE_BYTES, with how long the rest lasts if that is known. */
export function judgeDiskSpace({ freeBytes, lossBytesPerSecond }: DiskSpaceFacts): DiskSpaceJudgement {
  if (freeBytes === null) return { state: "unknown", lastsSeconds: null, words: "" };
  const lastsSeconds = lossBytesPerSecond === null ? null : Math.round(freeBytes / lossBytesPerSecond);
  if (freeBytes >= MIN_FREE_BYTES) return { state: "enough", lastsSeconds, words: "" };
  const free = `Only ${(freeBytes / 1e6).toFixed(freeBytes < 10e6 ? 1 : 0)} MB are free on the disk of the store.`;
  const lasts = lastsSeconds === null ? "" : ` At the present rate they last ${duration(lastsSeconds)}.`;
  return { state: "low", lastsSeconds, words: `${free}${lasts} Free some space.` };
}

function duration(seconds: number): string {
  if (seconds < 60) return `${seconds} s`;
  const minutes = Math.round(seconds / 60);
  if (minutes < 60) return `${minutes} min`;
  const hours = Math.floor(minutes / 60);
  if (hours < 48) return `${hours} h ${minutes % 60} min`;
  return `${Math.floor(hours / 24)} d ${hours % 24} h`;
}
