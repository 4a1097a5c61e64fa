import { type AddressInfo, connect, type Socket } from "node:net";
import { describe, expect, it, onTestFinished } from "vitest";
import { sourceOf } from "../../src/service/connection-limit.ts";
import { serviceUnderTest } from "./parts.ts";

/** Opens connections that begin a request and never end it; a refused one is as good as an open one. */
async function halfOpen(port: number, count: number, localAddress: string): Promise<Socket[]> {
  const sockets: Socket[] = [];
  onTestFinished(() => {
    for (const socket of sockets) socket.destroy();
  });
  for (let i = 0; i < count; i++) {
    const socket = connect({ port, host: "127.0.0.1", localAddress });
    sockets.push(socket);
    await new Promise((opened) => {
      socket.once("connect", opened);
      socket.once("error", opened);
    });
    socket.on("error", () => {});
    socket.write("GET /healthz HTTP/1.1\r\nhost: localhost\r\n");
  }
  return sockets;
}

/** The status line of one whole request from this address; empty when the connection was reset. */
async function ask(port: number, localAddress: string): Promise<string> {
  const socket = connect({ port, host: "127.0.0.1", localAddress });
  let text = "";
  socket.on("error", () => {});
  socket.write("GET /healthz HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n");
  try {
    for await (const part of socket) text += String(part);
  } catch {
    return "";
  }
  return text.split("\r\n")[0] ?? "";
}

async function listening(): Promise<number> {
  const { app } = await serviceUnderTest();
  await app.listen({ host: "127.0.0.1", port: 0 });
  return (app.server.address() as AddressInfo).port;
}

describe("half-open connections", () => {
  it("of one source reset nobody else", async () => {
    const port = await listening();
    await halfOpen(port, 520, "127.0.0.2");
    expect(await ask(port, "127.0.0.1")).toBe("HTTP/1.1 200 OK");
  });

  it("give way to a new one of their own source", async () => {
    const port = await listening();
    const sockets = await halfOpen(port, 70, "127.0.0.2");
    expect(await ask(port, "127.0.0.2")).toBe("HTTP/1.1 200 OK");
    expect(sockets.filter(({ destroyed }) => !destroyed).length).toBeLessThan(65);
  });

  it("of many sources give way to a new one", async () => {
    const port = await listening();
    for (let i = 2; i < 12; i++) await halfOpen(port, 60, `127.0.0.${i}`);
    expect(await ask(port, "127.0.0.1")).toBe("HTTP/1.1 200 OK");
  });
});

describe("the source of a connection", () => {
  it("is an IPv4 address, the network of an IPv6 address, or a neighbour on the cable", () => {
    expect(sourceOf("192.0.2.7")).toBe("192.0.2.7");
    expect(sourceOf("::ffff:192.0.2.7")).toBe("192.0.2.7");
    expect(sourceOf("2001:db8:1:2::7")).toBe(sourceOf("2001:db8:1:2:3:4:5:6"));
    expect(sourceOf("2001:db8:1:2::7")).not.toBe(sourceOf("2001:db8:1:3::7"));
    expect(sourceOf("fe80::1")).not.toBe(sourceOf("fe80::2"));
    expect(sourceOf("::1")).not.toBe(sourceOf("::2"));
  });
});
