/** Why could the port not be opened, and what to do? */

export function udpTrouble(error: unknown, udpPort: number): { sentence: string; remedy: string } {
  const code = error instanceof Error && "code" in error ? String(error.code) : "";
  if (code === "EADDRINUSE") {
    return {
      sentence: `UDP port ${udpPort} is taken by another program.`,
      remedy: "End that program, or choose another port with --udp-port and enter it at the gateway.",
    };
  }
  if (code === "EACCES") {
    return {
      sentence: `UDP port ${udpPort} may not be opened by this user.`,
      remedy: "Choose a port above 1023 with --udp-port.",
    };
  }
  return {
    sentence: `UDP port ${udpPort} cannot be opened: ${error instanceof Error ? error.message : String(error)}`,
    remedy: "Choose another address with --udp-host or another port with --udp-port.",
  };
}
