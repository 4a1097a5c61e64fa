/** How are a few facts of one thing told? Each with its name at the left, a hairline between them. */
import type { ComponentChildren } from "preact";
import "./Facts.css";

/** The list; give it `Fact`s. */
export function Facts({ children }: { children: ComponentChildren }) {
  return <dl class="facts">{children}</dl>;
}

/** One fact and its name. */
export function Fact({ name, children }: { name: string; children: ComponentChildren }) {
  return (
    <>
      <dt>{name}</dt>
      <dd>{children}</dd>
    </>
  );
}
