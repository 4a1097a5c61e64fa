/** The package has no types of its own; as its README tells them (npmjs.com/package/parse-prometheus-text-format). */
declare module "parse-prometheus-text-format" {
  interface Metric {
    readonly name: string;
    readonly help: string;
    readonly type: string;
    readonly metrics: readonly {
      readonly value: string;
      readonly labels?: Readonly<Record<string, string>>;
    }[];
  }
  export default function parse(text: string): Metric[];
}
