/** How far is a long piece of work? A bar on a terminal's stderr, and nothing anywhere else. */
import cliProgress from "cli-progress";

export interface Progress {
  /** Share done, 0 to 1. */
  at(share: number): void;
  stop(): void;
}

export function progressBar(what: string, stream: NodeJS.WriteStream = process.stderr): Progress {
  if (!stream.isTTY) return { at: () => undefined, stop: () => undefined };
  const bar = new cliProgress.SingleBar({
    stream,
    format: `${what} [{bar}] {percentage} %`,
    clearOnComplete: true,
    hideCursor: true,
  });
  bar.start(100, 0);
  return { at: (share) => bar.update(Math.round(share * 100)), stop: () => bar.stop() };
}
