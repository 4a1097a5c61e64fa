/** Lines of a configuration, to be read and copied whole. */
import { CopyButton } from "./page.tsx";
import "./ConfigLines.css";

/** `label` names the lines for whoever hears the page. */
export function ConfigLines({ label, text }: { label: string; text: string }) {
  return (
    <section class="config-lines" aria-label={label}>
      {/* biome-ignore lint/a11y/noNoninteractiveTabindex: what may scroll must be reachable by keyboard */}
      <pre class="mono" tabIndex={0}>
        {text}
      </pre>
      <CopyButton words="copy these lines" text={() => text} />
    </section>
  );
}
