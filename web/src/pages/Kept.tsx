/** How long are receptions kept? A limit in days, one in size, or none; what is older goes for good, its hours stay. */
import { useState } from "preact/hooks";
import type { KeptView } from "../../../src/contract/service.ts";
import { fileSize, type KeptRule, keptRuleText, removedSentence } from "../../../src/words/format.ts";
import { nearTime } from "../format.ts";
import { Button, Form, LinkButton, typed } from "../parts/form.tsx";
import { Gate } from "../parts/Gate.tsx";
import { putKept } from "../state/api.ts";
import { serviceNowMs } from "../state/clock.ts";
import { useSending, useViewData } from "../state/view-data.ts";
import "./Kept.css";

const GIGABYTE = 1e9;
const LIMITS = {
  days: { usual: 90, least: 1, most: 36_500 },
  size: { usual: 2, least: 0.01, most: 100_000 },
};

/** The section of the Captures page. */
export function KeptSection() {
  const loaded = useViewData<KeptView>({ path: "/api/kept" }, null);
  return (
    <section class="kept" aria-label="What is kept">
      <h2>What is kept</h2>
      <Gate loaded={loaded} part>
        {(kept) => <Kept key={JSON.stringify(kept)} kept={kept} onChanged={loaded.reload} />}
      </Gate>
    </section>
  );
}

function Kept({ kept, onChanged }: { kept: KeptView; onChanged: () => void }) {
  const { maxAgeDays, maxBytes, removed, givesBack } = kept;
  const isAll = maxAgeDays === null && maxBytes === null;
  return (
    <>
      <p>
        {isAll
          ? "Everything is kept."
          : `Receptions are kept: ${[
              ...(maxAgeDays === null ? [] : [keptRuleText({ maxAgeDays, maxBytes: null })]),
              ...(maxBytes === null ? [] : [`as much as fits ${fileSize(maxBytes)}`]),
            ].join(", ")}.`}{" "}
        {removed === null
          ? ""
          : removedSentence(nearTime(Date.parse(removed.before), serviceNowMs()), removed.rule)}
      </p>
      {givesBack ? null : (
        <p class="quiet">
          The file keeps its size, and what is free in it is used again. To give space back, stop the service
          and run <code>mastlog keep --shrink</code> once.
        </p>
      )}
      <RuleForm rule={kept} onChanged={onChanged} />
    </>
  );
}

function RuleForm({ rule, onChanged }: { rule: KeptRule; onChanged: () => void }) {
  const [days, setDays] = useState(rule.maxAgeDays === null ? "" : String(rule.maxAgeDays));
  const [size, setSize] = useState(rule.maxBytes === null ? "" : String(rule.maxBytes / GIGABYTE));
  const [asking, setAsking] = useState(false);
  const { trouble, send } = useSending(onChanged);
  const wanted: KeptRule = {
    maxAgeDays: days === "" ? null : Number(days),
    maxBytes: size === "" ? null : Math.round(Number(size) * GIGABYTE),
  };
  const isSame = wanted.maxAgeDays === rule.maxAgeDays && wanted.maxBytes === rule.maxBytes;
  const save = async () => {
    await send(putKept(wanted));
    setAsking(false);
  };
  // To keep more takes nothing away.
  const submit = () => (isTighter(wanted, rule) ? setAsking(true) : save());
  return (
    <Form onSubmit={submit}>
      <p class="kept-limits">
        <label>
          <span>receptions of the newest</span>
          <input
            type="number"
            min={LIMITS.days.least}
            max={LIMITS.days.most}
            step={1}
            placeholder="all"
            {...typed(days, setDays)}
          />
          <span>days</span>
        </label>
        <label>
          <span>no more than</span>
          <input
            type="number"
            min={LIMITS.size.least}
            max={LIMITS.size.most}
            step="any"
            placeholder="all"
            {...typed(size, setSize)}
          />
          <span>GB</span>
        </label>
      </p>
      <p class="quiet">
        Off while both are empty. What is older is removed by whole days (UTC), behind the traffic; the newest
        day stays in any case. Sums of whole hours, gaps, outages and findings stay.
      </p>
      {asking ? (
        <p class="notice" role="alert">
          Receptions beyond {keptRuleText(wanted)} are removed from the store, for good.{" "}
          <Button onClick={() => void save()}>yes, remove them</Button>{" "}
          <LinkButton onClick={() => setAsking(false)}>keep them</LinkButton>
        </p>
      ) : (
        <p>
          <button type="submit" class="plain" disabled={isSame}>
            Save
          </button>
          {trouble === null ? null : <span role="alert"> ✕ {trouble}</span>}
        </p>
      )}
    </Form>
  );
}

function isTighter(wanted: KeptRule, rule: KeptRule): boolean {
  const none = Number.POSITIVE_INFINITY;
  return (
    (wanted.maxAgeDays ?? none) < (rule.maxAgeDays ?? none) ||
    (wanted.maxBytes ?? none) < (rule.maxBytes ?? none)
  );
}
