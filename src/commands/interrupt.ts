/** Lets a command that writes end in order after Ctrl-C or `kill`: it stops at a safe point and closes the store. */

const SIGNALS = ["SIGINT", "SIGTERM", "SIGHUP"] as const;

/**
 * Runs `work`; a signal calls `stop`, after which `work` should settle soon. Then the program ends by that signal, as
 * its caller expects. A second signal ends it at once.
 */
export async function interruptible<T>(stop: () => void, work: () => Promise<T>): Promise<T> {
  let caught: NodeJS.Signals | null = null;
  const onSignal = (signal: NodeJS.Signals): void => {
    caught = signal;
    remove();
    stop();
  };
  const remove = (): void => {
    for (const signal of SIGNALS) process.removeListener(signal, onSignal);
  };
  for (const signal of SIGNALS) process.on(signal, onSignal);
  try {
    return await work();
  } finally {
    remove();
    if (caught !== null) process.kill(process.pid, caught);
  }
}
