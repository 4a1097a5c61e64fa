/** `mastlog unit`: a systemd unit for this installation, on stdout. */
import { execFile } from "node:child_process";
import { fileURLToPath } from "node:url";
import { Command } from "commander";
import { packageRoot } from "../store/upgrade.ts";
import { guarded, isCheckout } from "./options.ts";

const HELP = `
Put it in place and start it:
  mastlog unit | sudo tee /etc/systemd/system/mastlog.service
  sudo systemctl daemon-reload
  sudo systemctl enable --now mastlog

Options of 'listen' come behind two dashes: mastlog unit -- --udp-port 1680 --relay ns.example:1700
The service runs as a user of its own, who exists only while it runs. Its store is
/var/lib/mastlog/mastlog.db; ask it as root: sudo mastlog nodes --db /var/lib/mastlog/mastlog.db`;

export function unitCommand(): Command {
  return new Command("unit")
    .description("a systemd unit for this installation, on stdout")
    .argument("[words...]", "options of 'listen', behind --")
    .addHelpText("after", HELP)
    .action((words: string[]) => guarded(() => void process.stdout.write(unitHere(words))));
}

function unitHere(words: readonly string[]): string {
  const file = (name: string) => fileURLToPath(new URL(name, packageRoot));
  // An installed package says what is wrong after an update of Node; a checkout would try to build, and may not.
  const program = file(isCheckout ? "dist/program/main.js" : "src/setup/mastlog.mjs");
  return unitText({ node: process.execPath, program, words });
}

export interface UnitFacts {
  readonly node: string;
  readonly program: string;
  /** Words of `listen`. */
  readonly words: readonly string[];
}

/** Folders that ProtectHome=yes empties for the service (systemd.exec(5)). */
const HOMES = /^\/(home|root|run\/user)\//;

/** Returns the unit. Sources: systemd.service(5), systemd.exec(5), systemd.unit(5) of version 252. */
export function unitText({ node, program, words }: UnitFacts): string {
  const isInHome = HOMES.test(node) || HOMES.test(program);
  const store = words.some((word) => /^--db(=|$)/.test(word)) ? [] : ["--db", "%S/mastlog/mastlog.db"];
  const command = [...[node, program, "listen"].map(quoted), ...store, ...words.map(quoted)].join(" ");
  const homeNote = isInHome
    ? "# Node or Mastlog lies in a home folder: the service's user must be able to read it, or install both elsewhere.\n"
    : "";
  return `# Mastlog as a service. In place:
#   mastlog unit | sudo tee /etc/systemd/system/mastlog.service
#   sudo systemctl daemon-reload && sudo systemctl enable --now mastlog
${homeNote}[Unit]
Description=Mastlog, hears what LoRaWAN gateways hear
Wants=network-online.target
After=network-online.target

[Service]
Type=notify
NotifyAccess=all
ExecStart=${command}
Restart=on-failure
RestartSec=5
WatchdogSec=120
# The service ends in order within ten seconds.
TimeoutStopSec=20

# A user of its own, and one folder that it may write: /var/lib/mastlog.
DynamicUser=yes
StateDirectory=mastlog
StateDirectoryMode=0700
WorkingDirectory=%S/mastlog
UMask=0077

# Nothing else of the machine.
CapabilityBoundingSet=
NoNewPrivileges=yes
ProtectSystem=strict
ProtectHome=${isInHome ? "read-only" : "yes"}
PrivateTmp=yes
PrivateDevices=yes
ProtectClock=yes
ProtectControlGroups=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectProc=invisible
LockPersonality=yes
RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX AF_NETLINK
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service

[Install]
WantedBy=multi-user.target
`;
}

/** Returns a word as ExecStart takes it: "%" and "$" doubled, in quotes where it holds more than plain signs. */
function quoted(word: string): string {
  const text = word
    .replaceAll("\\", "\\\\")
    .replaceAll('"', '\\"')
    .replaceAll("%", "%%")
    .replaceAll("$", "$$$$");
  return /^[\w@%+=:,./-]+$/.test(word) ? text : `"${text}"`;
}

// Tells a supervising systemd that the service is ready, and that it lives (sd_notify(3)). Its socket is of a kind that
// Node does not have, so `systemd-notify` carries each word. Without a supervisor nothing happens.

interface Supervision {
  readonly environment: Readonly<Record<string, string | undefined>>;
  readonly notify: (word: string) => void;
}

function notifySystemd(word: string): void {
  // What cannot be said is no fault of the service: the supervisor then does what its unit says.
  execFile("systemd-notify", [word], { timeout: 10_000 }, () => undefined).unref();
}

/**
 * Reports "ready" now, and "alive" three times within each watchdog interval (WATCHDOG_USEC). Returns what stops it. The
 * timer is the main thread's own: where that hangs, nothing is reported. The threads beside it end the service themselves.
 */
export function reportToSupervisor(
  { environment, notify }: Supervision = { environment: process.env, notify: notifySystemd },
): () => void {
  if ((environment.NOTIFY_SOCKET ?? "") === "") return () => undefined;
  notify("READY=1");
  const watchdogUs = Number(environment.WATCHDOG_USEC ?? 0);
  const timer = watchdogUs > 0 ? setInterval(() => notify("WATCHDOG=1"), watchdogUs / 3_000) : null;
  return () => {
    if (timer !== null) clearInterval(timer);
    notify("STOPPING=1");
  };
}
