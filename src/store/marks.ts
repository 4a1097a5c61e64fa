/** Which notes did people pin to moments? Writes the `mark` rows; src/store/queries/marks.ts reads them. */
import type { Store } from "./open.ts";

export interface MarkPosition {
  readonly latitude: number | null;
  readonly longitude: number | null;
  readonly eastMetres: number | null;
  readonly northMetres: number | null;
}

export const NO_POSITION: MarkPosition = {
  latitude: null,
  longitude: null,
  eastMetres: null,
  northMetres: null,
};

/** A mark as written. Times are microseconds since 1970. */
export interface NewMark extends MarkPosition {
  readonly atUs: number;
  readonly untilUs: number | null;
  readonly kind: "note" | "stop";
  readonly text: string;
  readonly gatewayEui: string | null;
  readonly devAddr: string | null;
}

/** What a change may say; a field left out stays. */
export type MarkEdit = Partial<Omit<NewMark, "kind">>;

/** A change that a person asks for. */
export type MarkWork =
  | { readonly kind: "add"; readonly mark: NewMark }
  | { readonly kind: "change"; readonly id: number; readonly edit: MarkEdit }
  | { readonly kind: "remove"; readonly id: number };

/** As many marks as a store keeps: years of a diligent person's, and no stranger's flood. */
export const MOST_MARKS = 10_000;

/** Why nothing was written; any other outcome is the mark's number. */
export const MARK_FAILS = { none: 0, full: -1, endsEarly: -2 } as const;

/** Does what is asked; gives the mark's number, or one of MARK_FAILS. */
export function changeMarks(db: Store, work: MarkWork): number {
  switch (work.kind) {
    case "add":
      return addMark(db, work.mark);
    case "change":
      return changeMark(db, work.id, work.edit);
    case "remove": {
      const removed = db.prepare("DELETE FROM mark WHERE id = ?").run(work.id).changes;
      return removed > 0 ? work.id : MARK_FAILS.none;
    }
  }
}

function addMark(db: Store, mark: NewMark): number {
  if (mark.untilUs !== null && mark.untilUs < mark.atUs) return MARK_FAILS.endsEarly;
  const kept = Number(db.prepare("SELECT count(*) FROM mark").pluck().get());
  if (kept >= MOST_MARKS) return MARK_FAILS.full;
  const written = db
    .prepare(
      `INSERT INTO mark (at_us, until_us, kind, text, gateway_eui, dev_addr, latitude, longitude, east_metres,
         north_metres)
       VALUES (@atUs, @untilUs, @kind, @text, @gatewayEui, @devAddr, @latitude, @longitude, @eastMetres,
         @northMetres)`,
    )
    .run(mark);
  return Number(written.lastInsertRowid);
}

const COLUMNS: Readonly<Record<keyof MarkEdit, string>> = {
  atUs: "at_us",
  untilUs: "until_us",
  text: "text",
  gatewayEui: "gateway_eui",
  devAddr: "dev_addr",
  latitude: "latitude",
  longitude: "longitude",
  eastMetres: "east_metres",
  northMetres: "north_metres",
};

/** A mark that is now about a gateway is no longer about a node, and the other way round. */
function changeMark(db: Store, id: number, edit: MarkEdit): number {
  const before = db.prepare("SELECT at_us AS atUs, until_us AS untilUs FROM mark WHERE id = ?").get(id) as
    | { atUs: number; untilUs: number | null }
    | undefined;
  if (before === undefined) return MARK_FAILS.none;
  const whole: MarkEdit = {
    ...edit,
    ...(edit.gatewayEui != null ? { devAddr: null } : edit.devAddr != null ? { gatewayEui: null } : {}),
  };
  const atUs = whole.atUs ?? before.atUs;
  const untilUs = whole.untilUs === undefined ? before.untilUs : whole.untilUs;
  if (untilUs !== null && untilUs < atUs) return MARK_FAILS.endsEarly;
  const changed = Object.entries(whole).filter(([, value]) => value !== undefined);
  if (changed.length === 0) return id;
  const set = changed.map(([name]) => `${COLUMNS[name as keyof MarkEdit]} = ?`).join(", ");
  db.prepare(`UPDATE mark SET ${set} WHERE id = ?`).run(...changed.map(([, value]) => value), id);
  return id;
}
