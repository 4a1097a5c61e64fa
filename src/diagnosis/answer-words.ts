/** Did a node get its answers? One sentence from the counts. */

export interface AnswerCounts {
  /** Whether a server's datagrams passed here at all. */
  readonly seen: boolean;
  readonly confirmed: { readonly all: number; readonly good: number };
  readonly joins: { readonly all: number; readonly good: number };
  readonly commands: { readonly all: number; readonly good: number };
}

export function answersSentence({ seen, confirmed, joins, commands }: AnswerCounts): string {
  if (!seen)
    return "Answers were not to be seen here: they pass only in line, or in a capture that holds both directions.";
  const parts = [
    part(confirmed, "confirmed uplink", "answered"),
    part(joins, "join-request", "accepted"),
    part(commands, "data-rate command", "took effect"),
  ].filter((one) => one !== null);
  if (parts.length === 0) return "The node asked for no answer, and the network commanded nothing.";
  const all = parts.join("; ");
  return `${all.charAt(0).toUpperCase()}${all.slice(1)}.`;
}

function part({ all, good }: { all: number; good: number }, name: string, verb: string): string | null {
  if (all === 0) return null;
  const figure = (count: number) => count.toLocaleString("en-GB");
  const noun = all === 1 ? name : `${name}s`;
  const passive = verb === "took effect" ? verb : all === 1 ? `was ${verb}` : `were ${verb}`;
  if (all === 1)
    return good === 1
      ? `the ${noun} ${passive}`
      : `the ${noun} ${verb === "took effect" ? "had no effect" : `was not ${verb}`}`;
  return `${figure(good)} of ${figure(all)} ${noun} ${passive}`;
}
