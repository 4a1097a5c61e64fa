/**
 * What does Prometheus read? Of the service: the figures of intake and store at the moment it asks; none is kept here.
 * Of the site: gauges over the last hour, made for one scrape, so that a gateway or node that is no longer given has no
 * figure, instead of its last one for ever.
 */
import { Counter, Gauge, Registry } from "prom-client";
import type { ServiceStatus } from "../contract/service.ts";
import type { IntakeHandle } from "../intake/handle.ts";
import type { SiteFigures } from "../views/site-figures.ts";
import type { DiskSpace } from "./disk-space.ts";
import type { Facts } from "./views.ts";

export interface MetricSources {
  readonly intake: Pick<IntakeHandle, "figures">;
  readonly facts: Pick<Facts, "stored" | "refusals">;
  readonly liveClients: () => number;
  readonly diskSpace: () => DiskSpace;
  /** null: nothing is published. */
  readonly publish: () => NonNullable<ServiceStatus["publish"]> | null;
}

/** A registry of its own: two services in one process (tests) keep apart. */
export function serviceMetrics({ intake, facts, liveClients, diskSpace, publish }: MetricSources): Registry {
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
  counter(
    "mastlog_recorded_to_file_total",
    "Datagrams appended to the file of --record since the start (0 without it)",
    () => intake.figures().datagramFile?.written ?? 0,
  );
  counter(
    "mastlog_lost_to_file_total",
    "Datagrams that could not be appended to the file of --record since the start",
    () => intake.figures().datagramFile?.lost ?? 0,
  );
  gauge("mastlog_waiting", "Datagrams that wait to be stored", () => intake.figures().waiting);
  gauge("mastlog_storage_well", "1 while what arrives can be stored at once", () =>
    Number(intake.figures().storage === "well"),
  );
  gauge("mastlog_receptions", "Receptions in the store", () => facts.stored().receptions);
  gauge("mastlog_store_bytes", "Size of the store", () => facts.stored().bytes);
  gauge(
    "mastlog_store_free_bytes",
    "Room left on the disk of the store; NaN where it is not known",
    () => diskSpace().freeBytes ?? Number.NaN,
  );
  counter(
    "mastlog_mqtt_published_total",
    "Messages that the MQTT broker took since the start (0 without --publish)",
    () => publish()?.published ?? 0,
  );
  counter(
    "mastlog_mqtt_dropped_total",
    "Messages that gave way while the MQTT broker was away, or that it refused, since the start",
    () => publish()?.dropped ?? 0,
  );
  gauge("mastlog_mqtt_waiting", "Messages that wait for the MQTT broker", () => publish()?.waiting ?? 0);
  gauge("mastlog_mqtt_connected", "1 while the MQTT broker of --publish answers", () =>
    Number(publish()?.state === "connected"),
  );
  gauge("mastlog_live_clients", "Open websockets", liveClients);
  new Counter({
    name: "mastlog_refusals_total",
    help: "What was rejected (used=no) or unusual but used (used=yes), since the store began",
    labelNames: ["reason", "used"],
    registers,
    collect() {
      this.reset();
      for (const { reason, refused, count } of facts.refusals().refusals)
        this.inc({ reason, used: refused ? "no" : "yes" }, count);
    },
  });
  return registry;
}

/** `null`: the reading threads had no answer in time; then only `mastlog_site_figures_known` is given. */
export function siteMetrics(figures: SiteFigures | null): Registry {
  const registry = new Registry();
  const registers = [registry];
  const gauge = <Label extends string>(name: string, help: string, labelNames: readonly Label[]) =>
    new Gauge<Label>({ name, help, labelNames: [...labelNames], registers });
  /** A figure of each row; null: this row has none. */
  const gauges = <Row, Label extends string>(
    rows: readonly Row[],
    labels: (row: Row) => Record<Label, string>,
  ) => {
    const [first] = rows;
    return (name: string, help: string, value: (row: Row) => number | null) => {
      if (first === undefined) return;
      const one = gauge(name, help, Object.keys(labels(first)));
      for (const row of rows) {
        const figure = value(row);
        if (figure !== null) one.set(labels(row), figure);
      }
    };
  };

  gauge(
    "mastlog_site_figures_known",
    "1 when the figures of gateways, channels and nodes are given, 0 when they were not to be had in time",
    [],
  ).set(figures === null ? 0 : 1);
  if (figures === null) return registry;

  // Once a site is named, all figures have the label; an empty one is none (Prometheus, "Data model").
  const isSiteNamed = figures.gateways.some(({ site }) => site !== undefined);
  const sites = new Map(figures.gateways.map(({ eui, site }) => [eui, site]));
  const labelled = <Labels extends object>(labels: Labels, site: string | undefined) =>
    isSiteNamed ? { ...labels, site: site ?? "" } : labels;
  const ofGateways = gauges(figures.gateways, ({ eui, site }) => labelled({ gateway: eui }, site));
  ofGateways(
    "mastlog_gateway_receptions",
    "Packets that the gateway reported in the last hour",
    (row) => row.receptions,
  );
  ofGateways("mastlog_gateway_crc_bad", "Of these packets, those with a wrong CRC", (row) => row.crcBad);
  ofGateways(
    "mastlog_gateway_datagrams",
    "Datagrams from the gateway in the last hour",
    (row) => row.datagrams,
  );
  ofGateways(
    "mastlog_gateway_keepalive_interval_seconds",
    "Median time between two keepalives in the last hour",
    (row) => row.keepaliveSeconds,
  );
  ofGateways(
    "mastlog_gateway_last_keepalive_timestamp_seconds",
    "When the newest keepalive of the last hour arrived, Unix time",
    (row) => (row.lastKeepaliveUs === null ? null : row.lastKeepaliveUs / 1e6),
  );
  ofGateways(
    "mastlog_gateway_last_heard_timestamp_seconds",
    "When the newest datagram of the gateway arrived, Unix time",
    (row) => unixSeconds(row.lastHeard),
  );

  const ofChannels = gauges(figures.channels, ({ gatewayEui, frequencyHz }) =>
    labelled({ gateway: gatewayEui, frequency_hz: String(frequencyHz) }, sites.get(gatewayEui)),
  );
  ofChannels(
    "mastlog_channel_receptions",
    "Packets on this channel of this gateway in the last hour",
    (row) => row.receptions,
  );
  ofChannels("mastlog_channel_crc_bad", "Of these packets, those with a wrong CRC", (row) => row.crcBad);
  ofChannels(
    "mastlog_channel_airtime_seconds",
    "Sum of the time on air of the packets heard in the last hour",
    (row) => row.airtimeSeconds,
  );
  ofChannels(
    "mastlog_channel_utilisation_ratio",
    "Share of the recorded time of the last hour in which a packet was heard, 0 to 1",
    (row) => row.utilisation,
  );

  const ofNodes = gauges(figures.nodes, ({ devAddr, life, site }) =>
    labelled({ dev_addr: devAddr, life: String(life) }, site),
  );
  ofNodes(
    "mastlog_node_heard",
    "Distinct frame counters heard in the last hour, own nodes",
    (row) => row.heard,
  );
  ofNodes("mastlog_node_missed", "Frame counters missed in the last hour, own nodes", (row) => row.missed);
  ofNodes(
    "mastlog_node_missed_not_recorded",
    "Of the missed, those that may have been sent while nothing was recorded",
    (row) => row.missedNotRecorded,
  );
  ofNodes(
    "mastlog_node_last_heard_timestamp_seconds",
    "When the newest frame of the node arrived, Unix time",
    (row) => unixSeconds(row.lastHeard),
  );

  const cut = gauge(
    "mastlog_site_figures_cut",
    "How many gateways, channels and own nodes are left out, because there are more than are given",
    ["of"],
  );
  for (const [of, count] of Object.entries(figures.cut)) cut.set({ of }, count);
  return registry;
}

function unixSeconds(isoTime: string): number {
  return Date.parse(isoTime) / 1000;
}
