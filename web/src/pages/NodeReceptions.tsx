/** From which receptions were the figures made? Newest first; each opens its frame in place. */
import type { Window } from "../../../src/contract/common.ts";
import type { NodeGatewayRow, NodeRow } from "../../../src/contract/nodes.ts";
import { counted, figure } from "../format/format.ts";
import { ReceptionTable } from "../parts/ReceptionTable.tsx";
import { useReceptions } from "../state/receptions.ts";
import { route, setParams } from "../state/route.ts";

export interface NodeReceptionsProps {
  readonly row: NodeRow;
  /** Who heard it, for their names. */
  readonly gateways: readonly NodeGatewayRow[];
  readonly window: Window;
}

/** The receptions of a node, a page at a time. */
export function NodeReceptions({ row, gateways, window }: NodeReceptionsProps) {
  const gatewayEui = route.value.params.get("gateway");
  const list = useReceptions(
    { devAddr: row.devAddr, life: row.life, gatewayEui, from: window.from, to: window.to },
    row.receptions,
  );
  return (
    <>
      <h2>Receptions</h2>
      <div class="receptions-bar screen-only">
        <label>
          <span class="small quiet">Heard by </span>
          <select
            value={gatewayEui ?? ""}
            onChange={(event) => setParams({ gateway: event.currentTarget.value })}
          >
            <option value="">every gateway</option>
            {row.gateways.map((eui) => (
              <option key={eui} value={eui}>
                {gateways.find((one) => one.gatewayEui === eui)?.gatewayName ?? eui}
              </option>
            ))}
          </select>
        </label>
        <span class="small quiet" role="status">
          {list.loading
            ? "○ asking"
            : `${counted(list.rows.length, "reception")} shown of ${figure(row.receptions)}`}
        </span>
      </div>
      <ReceptionTable list={list} none="No reception lies in this window." />
    </>
  );
}
