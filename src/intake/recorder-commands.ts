/**
 * What can the recorder's thread be asked to do, and what comes back? One union, carried out by one switch: a kind that is
 * forgotten there does not compile, and one that is not known is refused without touching anything else.
 */
import { rm } from "node:fs/promises";
import { beginForgetting, type Forgettable } from "../store/forget.ts";
import type { Recorder } from "../store/recorder.ts";
import { type UserChange, writeUserChange } from "../store/user-changes.ts";
import type { Written } from "../store/written.ts";
import type { CaptureImport } from "./capture-import.ts";
import { onceFree } from "./record-batch.ts";
import type { DeltaGatherer } from "./recorder-tasks.ts";

export type RecorderCommand =
  /** Reads a capture file; answered once its row exists. */
  | {
      readonly kind: "import";
      readonly path: string;
      readonly name: string;
      readonly deleteAfter: boolean;
    }
  /** Writes what a person entered. */
  | { readonly kind: "change"; readonly change: UserChange }
  /** Forgets a gateway or a node; answered once it is queued. */
  | { readonly kind: "forget"; readonly thing: Forgettable };

/** The answer to a command of each kind. */
export interface RecorderResults {
  /** Number of the capture's row. */
  readonly import: number;
  readonly change: Written;
  readonly forget: Written;
}

export type ResultOf<Command extends RecorderCommand> = RecorderResults[Command["kind"]];

export interface RecorderCommandParts {
  readonly recorder: Pick<Recorder, "write" | "takeUp">;
  readonly imports: Pick<CaptureImport, "read">;
  /** Hears of what changed. */
  readonly changes: Pick<DeltaGatherer, "add" | "widen">;
  /** Starts the steps that forget what is queued. */
  readonly beginForgettingSteps: () => void;
  /** Looks at once whether the rule of what is kept removes something. */
  readonly beginRemoval: () => void;
  /** Runs after each capture that was read. */
  readonly afterImport: () => void;
  readonly waitMs: (ms: number) => Promise<void>;
}

export class RecorderCommands {
  readonly #parts: RecorderCommandParts;
  #importing = 0;

  constructor(parts: RecorderCommandParts) {
    this.#parts = parts;
  }

  /** True while a capture is being read. */
  get isImporting(): boolean {
    return this.#importing > 0;
  }

  /** Carries a command out. Rejects with the error of the store or of the capture file. */
  async run(command: RecorderCommand): Promise<ResultOf<RecorderCommand>> {
    switch (command.kind) {
      case "import":
        return this.#beginImport(command);
      case "change":
        return this.#change(command.change);
      case "forget": {
        const written = await this.#write(() =>
          this.#parts.recorder.write((db) => beginForgetting(db, command.thing)),
        );
        if (written.ok) this.#parts.beginForgettingSteps();
        return written;
      }
      default: {
        const unknown: never = command;
        throw new Error(`The recorder does not know this command: ${JSON.stringify(unknown)}`);
      }
    }
  }

  async #change(change: UserChange): Promise<Written> {
    const { recorder, changes, waitMs } = this.#parts;
    const write = () => recorder.write((db) => writeUserChange(db, change));
    // No view shows it, and it is written every few seconds.
    if (change.entity === "publish-place") return onceFree(write, waitMs);
    const written = await this.#write(write);
    if (change.entity === "kept-rule") this.#parts.beginRemoval();
    // Keys prove or disprove what was counted without them: the past of their addresses is counted again, in steps behind
    // the traffic where there is much of it.
    if (change.entity === "keys" && written.ok) {
      changes.add(await onceFree(() => recorder.takeUp(), waitMs));
      changes.widen();
    }
    return written;
  }

  /** Writes once no other program holds the store; what was written may show in every view. */
  async #write(work: () => Written): Promise<Written> {
    const written = await onceFree(work, this.#parts.waitMs);
    if (written.ok) this.#parts.changes.widen();
    return written;
  }

  #beginImport(command: Extract<RecorderCommand, { kind: "import" }>): Promise<number> {
    return new Promise((resolve, reject) => {
      void this.#import(command, resolve).catch(reject);
    });
  }

  async #import(
    { path, name, deleteAfter }: Extract<RecorderCommand, { kind: "import" }>,
    onBegun: (captureId: number) => void,
  ): Promise<void> {
    const { imports, changes, afterImport } = this.#parts;
    this.#importing += 1;
    try {
      await imports.read(path, name, (captureId) => {
        changes.widen();
        onBegun(captureId);
      });
    } finally {
      this.#importing -= 1;
      changes.widen();
      if (deleteAfter) await rm(path, { force: true });
      afterImport();
    }
  }
}
