/** Which channel plan must the gateway listen to? The choice stands in the address bar, so that a link carries it. */
import type { NamedPlan } from "../../../../src/contract/bench.ts";
import { route, setParams } from "../../state/route.ts";
import "./ExpectedPlan.css";

export function ExpectedPlan({ plans }: { readonly plans: readonly NamedPlan[] }) {
  const asked = (route.value.params.get("expect") ?? "").trim().toLowerCase();
  const chosen = plans.find(({ label }) => label.toLowerCase() === asked)?.label ?? "";
  const regions = [...new Set(plans.map(({ region }) => region))];
  return (
    <label class="bench-plan screen-only">
      <span class="small quiet">Channel plan that it must listen to</span>
      <select value={chosen} onChange={(event) => setParams({ expect: event.currentTarget.value })}>
        <option value="">recognise it</option>
        {regions.map((region) => (
          <optgroup key={region ?? ""} label={region ?? "Your plans"}>
            {plans
              .filter((plan) => plan.region === region)
              .map(({ label, channels }) => (
                <option key={label} value={label}>
                  {label}: {channels}
                </option>
              ))}
          </optgroup>
        ))}
      </select>
    </label>
  );
}
