/** Watches, recipients of notifications, and messages sent: chosen here, or shown where a file has them. */
import { useEffect, useState } from "preact/hooks";
import type { Standing } from "../../../../src/contract/common.ts";
import type { ServiceStatus } from "../../../../src/contract/service.ts";
import type { WatchChange, WatchesView, WatchMessage, WatchRule } from "../../../../src/contract/watches.ts";
import { counted, plural } from "../../../../src/words/format.ts";
import { Button, Form, typedNumber } from "../../parts/form.tsx";
import { Gate } from "../../parts/Gate.tsx";
import { Age, Fold, StandingMark } from "../../parts/page.tsx";
import { postEmpty, problemWords, putWatches } from "../../state/api.ts";
import { useSending, useViewData } from "../../state/view-data.ts";
import "./watches.css";
import { CAUSE_LABELS, CAUSES, type CauseWord } from "../../../../src/words/causes.ts";

const WAY_STANDINGS: Readonly<Record<WatchesView["ways"][number]["state"], Standing>> = {
  idle: "waiting",
  told: "good",
  waiting: "look",
  failed: "bad",
};

/** The section of the Service page. `watch`: changes when there is something new. */
export function WatchSection({ watch }: { watch: NonNullable<ServiceStatus["watch"]> }) {
  const loaded = useViewData<WatchesView>({ path: "/api/watches" }, null);
  const news = `${watch.open} ${watch.newest?.id ?? ""}`;
  useEffect(() => loaded.reload(), [news]);
  return (
    <section class="watches" aria-label="Watches">
      <h2>Watches</h2>
      <Gate loaded={loaded} part>
        {(view) => <Watches view={view} onChanged={loaded.reload} />}
      </Gate>
    </section>
  );
}

function Watches({ view, onChanged }: { view: WatchesView; onChanged: () => void }) {
  const { rules, rulesFrom, ways, open, messages, mostAnHour } = view;
  return (
    <>
      <p>
        {rulesFrom === "nobody"
          ? "Nothing is watched yet. Choose what you want to be notified of."
          : `${plural(rules.length, "watch", "watches")}, ${open.length === 0 ? "nothing to tell now" : `${plural(open.length, "incident")} now`}. One message at the begin and one at the end; ${mostAnHour} an hour at most.`}
      </p>
      {open.length === 0 ? null : (
        <ul class="watch-list">
          {open.map((change) => (
            <li key={change.incident}>
              <StandingMark standing="look" word="since" /> <Age at={change.from} />
              <Things change={change} />
            </li>
          ))}
        </ul>
      )}
      {rulesFrom === "file" ? (
        <p class="quiet">What is watched is set in the file that the service was started with.</p>
      ) : (
        <Fold title="What is watched" open={rulesFrom === "nobody"}>
          <RulesForm view={view} onDone={onChanged} />
        </Fold>
      )}
      <Ways ways={ways} onSent={onChanged} />
      {messages.length === 0 ? null : (
        <Fold title={`Sent since the start: ${counted(messages.length, "message")}`}>
          <ul class="watch-list">
            {messages.map((message) => (
              <Message key={message.id} message={message} />
            ))}
          </ul>
        </Fold>
      )}
    </>
  );
}

function Things({ change }: { change: WatchChange }) {
  return (
    <>
      {change.things.map((thing) => (
        <p key={thing}>{thing}</p>
      ))}
      {change.more > 0 ? <p class="quiet">and {change.more} more</p> : null}
    </>
  );
}

function Message({ message }: { message: WatchMessage }) {
  return (
    <li>
      <strong>{message.subject}</strong>, <Age at={message.at} />
      {message.changes.map((change) => (
        <Things key={`${change.incident} ${change.change}`} change={change} />
      ))}
    </li>
  );
}

function Ways({ ways, onSent }: { ways: WatchesView["ways"]; onSent: () => void }) {
  const [said, setSaid] = useState("");
  const send = async () => {
    const answer = await postEmpty<WatchMessage>("/api/watches/test");
    setSaid(answer.ok ? "The test message is on its way." : problemWords(answer.problem));
    onSent();
  };
  return (
    <div>
      <h3>Recipients</h3>
      <ul class="watch-list">
        {ways.map(({ name, state, words, at }) => (
          <li key={name}>
            {state === "idle" ? name : <StandingMark standing={WAY_STANDINGS[state]} word={name} />}
            {words === "" ? "" : `: ${words}`}
            {at === null ? null : (
              <>
                {words === "" ? ": sent " : "; sent before "}
                <Age at={at} />
              </>
            )}
          </li>
        ))}
      </ul>
      <p class="quiet small">
        Webhook, e-mail, MQTT and log are set in the file of <span class="mono">listen --watches</span>; see
        the README.
      </p>
      <p class="watch-acts screen-only">
        <Button onClick={() => void send()}>Send a test message</Button>
        <NotificationButton />
        <span role="status">{said}</span>
      </p>
    </div>
  );
}

/** Browsers ask a person before a page may notify; where they do not let it ask, there is nothing to press. */
function NotificationButton() {
  const can = typeof Notification !== "undefined" && isSecureContext;
  const [permission, setPermission] = useState(can ? Notification.permission : "denied");
  if (!can || permission !== "default") return null;
  return (
    <Button onClick={() => void Notification.requestPermission().then(setPermission)}>
      Let this browser notify
    </Button>
  );
}

// What is watched? One line a kind of watch, its limit in the unit that a person types; then the causes of
// gaps.

type Kind = WatchRule["watch"];

/** One line of the form: what is watched, and the limit in the unit that a person types. */
interface Line {
  readonly kind: Kind;
  readonly words: string;
  readonly limit?: {
    readonly unit: string;
    readonly usual: number;
    readonly least: number;
    readonly most: number;
  };
}

const LINES: readonly Line[] = [
  {
    kind: "gateway-silent",
    words: "a gateway is silent for more than",
    limit: { unit: "min", usual: 10, least: 1, most: 10_080 },
  },
  { kind: "node-overdue", words: "a node is overdue by its own rhythm" },
  {
    kind: "node-loss",
    words: "a node loses, in an hour, more than",
    limit: { unit: "%", usual: 20, least: 1, most: 100 },
  },
  {
    kind: "site-loss",
    words: "all nodes together lose, in an hour, more than",
    limit: { unit: "%", usual: 10, least: 1, most: 100 },
  },
  {
    kind: "noise-up",
    words: "the noise of a channel rises by",
    limit: { unit: "dB", usual: 6, least: 1, most: 60 },
  },
  { kind: "not-recording", words: "what arrives is not recorded" },
  { kind: "disk-short", words: "the disk is nearly full" },
  { kind: "clock-stepped", words: "this machine's clock is set" },
];

export function RulesForm({ view, onDone }: { view: WatchesView; onDone: () => void }) {
  const before = view.rulesFrom === "nobody" ? view.usual : view.rules;
  const ruleOf = (kind: Kind) => before.find(({ watch }) => watch === kind);
  const [chosen, setChosen] = useState<ReadonlySet<Kind>>(new Set(before.map(({ watch }) => watch)));
  const [limits, setLimits] = useState<Readonly<Record<string, string>>>(
    Object.fromEntries(
      LINES.map(({ kind, limit }) => [kind, String(limitOf(ruleOf(kind)) ?? limit?.usual ?? "")]),
    ),
  );
  const finding = ruleOf("finding");
  const [causes, setCauses] = useState<ReadonlySet<CauseWord>>(
    new Set(finding?.watch === "finding" ? finding.causes : []),
  );
  const { trouble, setTrouble, send } = useSending(onDone);
  const save = async () => {
    const rules: WatchRule[] = [];
    for (const { kind, words, limit } of LINES) {
      if (!chosen.has(kind)) continue;
      const value = typedNumber(limits[kind] ?? "") ?? 0;
      if (limit !== undefined && !(value >= limit.least && value <= limit.most))
        return setTrouble(`"${words}" takes ${limit.least} to ${limit.most} ${limit.unit}.`);
      rules.push(withLimit(kind, value, ruleOf(kind)));
    }
    if (causes.size > 0) rules.push({ watch: "finding", causes: [...causes] });
    await send(putWatches(rules));
  };
  return (
    <Form class="watch-form" aria-label="What is watched" onSubmit={save}>
      <p>Tell me when …</p>
      {LINES.map(({ kind, words, limit }) => (
        <div key={kind} class="watch-line">
          <label>
            <input
              type="checkbox"
              checked={chosen.has(kind)}
              onChange={() => setChosen(toggled(chosen, kind))}
            />{" "}
            {words}
          </label>
          {limit === undefined ? null : (
            <span>
              <input
                type="text"
                inputMode="decimal"
                size={5}
                aria-label={`${words}, ${limit.unit}`}
                value={limits[kind] ?? ""}
                onInput={(event) => setLimits({ ...limits, [kind]: event.currentTarget.value })}
              />{" "}
              {limit.unit}
            </span>
          )}
        </div>
      ))}
      <fieldset class="watch-causes">
        <legend>a gap is attributed to</legend>
        {CAUSES.map((cause) => (
          <label key={cause}>
            <input
              type="checkbox"
              checked={causes.has(cause)}
              onChange={() => setCauses(toggled(causes, cause))}
            />{" "}
            {CAUSE_LABELS[cause]}
          </label>
        ))}
      </fieldset>
      <p class="watch-acts">
        <button type="submit" class="plain first">
          Watch this
        </button>
        {trouble === null ? null : <span role="alert">{trouble}</span>}
      </p>
    </Form>
  );
}

function toggled<T>(set: ReadonlySet<T>, one: T): ReadonlySet<T> {
  const next = new Set(set);
  if (!next.delete(one)) next.add(one);
  return next;
}

/** The limit of a rule in the unit of the form; null: it has none. */
function limitOf(rule: WatchRule | undefined): number | null {
  switch (rule?.watch) {
    case "gateway-silent":
      return rule.minutes;
    case "node-loss":
    case "site-loss":
      return Math.round(rule.share * 1_000) / 10;
    case "noise-up":
      return rule.db;
    default:
      return null;
  }
}

/** The rule of a line. What narrows it, and came by the API, stays. */
function withLimit(kind: Kind, limit: number, before: WatchRule | undefined): WatchRule {
  switch (kind) {
    case "gateway-silent":
      return { ...(before?.watch === kind ? before : {}), watch: kind, minutes: limit };
    case "node-overdue":
      return { ...(before?.watch === kind ? before : {}), watch: kind };
    case "node-loss":
      return { ...(before?.watch === kind ? before : {}), watch: kind, share: limit / 100 };
    case "site-loss":
      return { watch: kind, share: limit / 100 };
    case "noise-up":
      return { watch: kind, db: limit };
    case "finding":
      return { watch: kind, causes: before?.watch === kind ? before.causes : [] };
    default:
      return { watch: kind };
  }
}
