/** Turns SQLite's errors into one sentence and what to do about it, the same in every command and in the service. */

/** A store that cannot be used as it is: with what a person can do about it. */
export class StoreUnusable extends Error {
  readonly remedy: string;
  constructor(message: string, remedy: string) {
    super(message);
    this.name = "StoreUnusable";
    this.remedy = remedy;
  }
}

/** The command that reads a damaged store, in quotes. */
export function rescueCommand(path: string): string {
  return `'mastlog backup NEW.db --rescue --db ${path}'`;
}

/** How to get at what a damaged store still holds; the same words everywhere. */
export function rescueRemedy(path: string): string {
  return `It is left untouched. Rescue what is readable with ${rescueCommand(path)}, then use --db NEW.db.`;
}

/** Whether an error is SQLite's own. */
export function isSqliteError(error: unknown): error is Error & { code: string } {
  return error instanceof Error && "code" in error && String(error.code).startsWith("SQLITE_");
}

/** Whether SQLite found the file itself to be damaged. */
export function isDamage(error: unknown): boolean {
  return isSqliteError(error) && /^SQLITE_(CORRUPT|NOTADB)/.test(error.code);
}

/** Returns the sentence and remedy of an error of SQLite, or null for any other error. `path`: the store, if known. */
export function describeStoreError(error: unknown, path?: string): StoreUnusable | null {
  if (error instanceof StoreUnusable) return error;
  if (!isSqliteError(error)) return null;
  const { code, message } = error;
  const store = path === undefined ? "store" : `store ${path}`;
  if (isDamage(error))
    return new StoreUnusable(`The ${store} is damaged: ${message}.`, rescueRemedy(path ?? "STORE.db"));
  if (code.startsWith("SQLITE_BUSY") || code.startsWith("SQLITE_LOCKED"))
    return new StoreUnusable(`Another program is using the ${store}.`, "Try again in a few seconds.");
  if (code.startsWith("SQLITE_FULL"))
    return new StoreUnusable(`There is no room left for the ${store}.`, "Free some disk space.");
  if (code.startsWith("SQLITE_READONLY"))
    return new StoreUnusable(`The ${store} cannot be written: ${message}.`, "Check who owns the file.");
  if (code.startsWith("SQLITE_IOERR"))
    return new StoreUnusable(`The disk failed under the ${store}: ${message}.`, "Check the disk.");
  return null;
}
