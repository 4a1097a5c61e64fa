/** What is there for whoever wants to know more? Folded away until asked for: method, source, limits. */
import type { ComponentChildren } from "preact";
import "./Fold.css";

/** A part of the page that is closed at first. */
export function Fold({
  title,
  open = false,
  children,
}: {
  title: ComponentChildren;
  open?: boolean;
  children: ComponentChildren;
}) {
  return (
    <details class="fold" open={open}>
      <summary>{title}</summary>
      <div class="fold-body">{children}</div>
    </details>
  );
}
