/** How does a person open this page on a phone? By a code to scan, shown on the service's own computer only. */
import { useMemo } from "preact/hooks";
import { encode } from "uqr";
import type { PhoneLink } from "../../../src/contract/service.ts";
import { useViewData } from "../state/view-data.ts";
import { CopyButton } from "./page.tsx";
import "./PhoneCode.css";

function isHere(): boolean {
  return ["localhost", "[::1]"].includes(location.hostname) || location.hostname.startsWith("127.");
}

/** The code with its address, or why there is none; nothing on any other computer. */
export function PhoneCode() {
  return isHere() ? <Code /> : null;
}

function Code() {
  const { data } = useViewData<PhoneLink>({ path: "/api/phone-link" }, null);
  if (data === null) return null;
  const { url, text } = data;
  return (
    <section class="screen-only" aria-label="On a phone">
      <h2>On a phone</h2>
      <div class="phone-code">
        {url === null ? null : <QrCode text={url} />}
        <div>
          <p>{text}</p>
          {url === null ? null : (
            <p class="small">
              <span class="mono">{url.replace(/\?.*$/, "")}</span>{" "}
              <CopyButton words="copy the address" text={() => url} />
            </p>
          )}
        </div>
      </div>
    </section>
  );
}

/** Four modules of white around it: ISO/IEC 18004 asks for that. Dark on white at night too: readers expect it. */
const QUIET_ZONE = 4;

function QrCode({ text }: { text: string }) {
  const { size, path } = useMemo(() => {
    const code = encode(text, { ecc: "M", border: QUIET_ZONE });
    const squares = code.data.flatMap((row, y) =>
      row.flatMap((dark, x) => (dark ? [`M${x} ${y}h1v1h-1z`] : [])),
    );
    return { size: code.size, path: squares.join("") };
  }, [text]);
  return (
    <svg
      class="qr-code"
      viewBox={`0 0 ${size} ${size}`}
      shape-rendering="crispEdges"
      role="img"
      aria-label="Code to scan: it opens this dashboard"
    >
      <path d={path} />
    </svg>
  );
}
