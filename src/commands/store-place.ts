/**
 * Where is the store when nobody names one? In a checkout: `mastlog.db` in the working folder. Of an installed package:
 * in the folder that the system keeps for a user's data.
 */
import { existsSync, mkdirSync } from "node:fs";
import { homedir } from "node:os";
import { dirname, posix, win32 } from "node:path";
import { packageRoot } from "../store/upgrade.ts";

const FILE = "mastlog.db";

export interface StorePlaceFacts {
  readonly isCheckout: boolean;
  readonly platform: NodeJS.Platform;
  readonly home: string;
  readonly environment: Readonly<Record<string, string | undefined>>;
}

/**
 * Returns the store's path. Linux and others: `$XDG_DATA_HOME/mastlog`, by default `~/.local/share/mastlog` (XDG Base
 * Directory Specification 0.8; a relative path there "should be considered invalid and ignored"). macOS:
 * `~/Library/Application Support/Mastlog`. Windows: `%LOCALAPPDATA%\Mastlog`, since a store does not roam.
 */
export function storePlace({ isCheckout, platform, home, environment }: StorePlaceFacts): string {
  if (isCheckout) return FILE;
  if (platform === "win32") {
    const local = environment.LOCALAPPDATA ?? "";
    return win32.join(local === "" ? win32.join(home, "AppData", "Local") : local, "Mastlog", FILE);
  }
  if (platform === "darwin") return posix.join(home, "Library", "Application Support", "Mastlog", FILE);
  const named = environment.XDG_DATA_HOME ?? "";
  const data = posix.isAbsolute(named) ? named : posix.join(home, ".local", "share");
  return posix.join(data, "mastlog", FILE);
}

/** True where the program runs from a checkout of its sources. */
export const isCheckout: boolean = existsSync(new URL("src/main.ts", packageRoot));

/** The same for this machine and user. */
export function defaultStore(): string {
  return storePlace({ isCheckout, platform: process.platform, home: homedir(), environment: process.env });
}

/** Makes the folder of an installed package's store where it is missing, for its owner only. */
export function makeStoreFolder(path: string): void {
  if (!isCheckout) mkdirSync(dirname(path), { recursive: true, mode: 0o700 });
}
