/** Watches, recipients of notifications, and messages sent: chosen here, or shown where a file has them. */
import { useEffect, useState } from "preact/hooks";
import type { Standing } from "../../../../src/contract/common.ts";
import type { ServiceStatus } from "../../../../src/contract/service.ts";
import type { WatchChange, WatchesView, WatchMessage } from "../../../../src/contract/watches.ts";
import { counted, plural } from "../../../../src/words/format.ts";
import { Button } from "../../parts/form.tsx";
import { Gate } from "../../parts/Gate.tsx";
import { Age, Fold, StandingMark } from "../../parts/page.tsx";
import { postEmpty, problemWords } from "../../state/api.ts";
import { useViewData } from "../../state/view-data.ts";
import { RulesForm } from "./RulesForm.tsx";
import "./watches.css";

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
