/** Which figures does Prometheus read? Those of the intake and the store, at the moment it asks; none is kept here. */
import { Counter, Gauge, Registry } from "prom-client";
import type { IntakeHandle } from "../intake/handle.ts";
import type { DiskSpace } from "./disk-space.ts";
import type { Views } from "./views.ts";

export interface MetricSources {
  readonly intake: Pick<IntakeHandle, "figures">;
  readonly views: Pick<Views, "stored" | "refusals">;
  readonly liveClients: () => number;
  readonly diskSpace: () => DiskSpace;
}

/** A registry of its own: two services in one process (tests) keep apart. */
export function serviceMetrics({ intake, views, liveClients, diskSpace }: MetricSources): Registry {
  const registry = new Registry();
  const registers = [registry];
  const counter = (name: string, help: string, read: () => number) =>
    new Counter({
      name,
      help,
      registers,
      collect() {
        this.reset();
        this.inc(read());
      },
    });
  const gauge = (name: string, help: string, read: () => number) =>
    new Gauge({
      name,
      help,
      registers,
      collect() {
        this.set(read());
      },
    });

  counter(
    "mastlog_datagrams_total",
    "Datagrams that arrived since the start",
    () => intake.figures().datagrams,
  );
  counter(
    "mastlog_answered_after_commit_total",
    "Datagrams acknowledged after they were stored",
    () => intake.figures().answeredAfterCommit,
  );
  counter(
    "mastlog_answered_before_stored_total",
    "Datagrams acknowledged before they were stored, because storing took longer than 25 ms or failed",
    () => intake.figures().answeredBeforeStored,
  );
  counter(
    "mastlog_dropped_total",
    "Datagrams lost because the bounded buffer was full",
    () => intake.figures().dropped,
  );
  counter(
    "mastlog_kernel_drops_total",
    "Datagrams lost in the kernel before they could be read (0 where the system does not tell)",
    () => intake.figures().kernelDrops ?? 0,
  );
  gauge("mastlog_waiting", "Datagrams that wait to be stored", () => intake.figures().waiting);
  gauge("mastlog_storage_well", "1 while what arrives can be stored at once", () =>
    Number(intake.figures().storage === "well"),
  );
  gauge("mastlog_receptions", "Receptions in the store", () => views.stored().receptions);
  gauge("mastlog_store_bytes", "Size of the store", () => views.stored().bytes);
  gauge(
    "mastlog_store_free_bytes",
    "Room left on the disk of the store; NaN where it is not known",
    () => diskSpace().freeBytes ?? Number.NaN,
  );
  gauge("mastlog_live_clients", "Open websockets", liveClients);
  new Counter({
    name: "mastlog_refusals_total",
    help: "What was refused (used=no) or odd but used (used=yes), since the store began",
    labelNames: ["reason", "used"],
    registers,
    collect() {
      this.reset();
      for (const { reason, refused, count } of views.refusals().refusals)
        this.inc({ reason, used: refused ? "no" : "yes" }, count);
    },
  });
  return registry;
}
