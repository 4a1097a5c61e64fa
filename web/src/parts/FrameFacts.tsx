/** What is known of a frame beyond its octets: who signed it, its whole counter, its commands, its payload in clear? */
import type { FrameView } from "../../../src/contract/nodes.ts";
import { counted, figure } from "../format/format.ts";
import { CopyButton } from "./CopyButton.tsx";
import { Fact, Facts } from "./Facts.tsx";
import { flattenFields } from "./frame-fields.ts";
import { StandingMark } from "./StandingMark.tsx";

const MIC_STANDING = { proved: "good", invalid: "bad", unknown: "waiting" } as const;

/** The facts above the octets. What is encrypted is said to be encrypted. */
export function FrameFacts({ frame }: { frame: FrameView }) {
  return (
    <Facts>
      <Fact name="MIC">
        <StandingMark standing={MIC_STANDING[frame.mic]} word={frame.micWords} />
      </Fact>
      {frame.counter === null ? null : (
        <Fact name="Counter">
          {figure(frame.counter)}{" "}
          <span class="quiet small">
            32 bits, {frame.mic === "proved" ? "proved by the MIC" : "reconstructed from the 16 on air"}
          </span>
        </Fact>
      )}
      <Commands frame={frame} />
      <Payload frame={frame} />
    </Facts>
  );
}

function Commands({ frame }: { frame: FrameView }) {
  const { commands, commandsAre } = frame;
  if (commands.length === 0 && commandsAre === null) return null;
  return (
    <Fact name="MAC commands">
      {commands.length === 0 ? (
        <span class="quiet">{commandsAre === "encrypted" ? "encrypted" : "none that can be read"}</span>
      ) : (
        <ul>
          {commands.map((command, index) => (
            <li key={`${command.name} ${index}`}>
              {command.name}
              {command.words === "" ? "" : `: ${command.words}`}
            </li>
          ))}
        </ul>
      )}
      {commandsAre === null || commands.length === 0 ? null : <span class="quiet small">{commandsAre}</span>}
    </Fact>
  );
}

function Payload({ frame }: { frame: FrameView }) {
  const { decryptedHex, decryptedText } = frame;
  if (decryptedHex !== null)
    return (
      <Fact name="Payload">
        {decryptedText === null || decryptedText === "" ? null : <p class="frame-text">“{decryptedText}”</p>}
        <span class="mono">{decryptedHex.replace(/..(?=.)/g, "$& ")}</span>{" "}
        <span class="quiet small">decrypted, {counted(decryptedHex.length / 2, "octet")}</span>{" "}
        <span class="screen-only">
          <CopyButton words="copy decrypted hex" text={() => decryptedHex} />
        </span>
      </Fact>
    );
  const closed = flattenFields(frame.fields).find(({ field }) => field.note?.includes("encrypted") === true);
  if (closed === undefined || closed.field.name === "FOpts") return null;
  return (
    <Fact name="Payload">
      <span class="quiet">encrypted, {counted(closed.field.size, "octet")}; no key at hand opens it</span>
    </Fact>
  );
}
