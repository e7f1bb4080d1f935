/**
 * What the alert rules say of what a service tells: their plain forms evaluated as Prometheus does
 * (Prometheus documentation, "Operators", "Functions"). A form that is not known here is refused, so
 * that no rule passes unread.
 */
export interface Sample {
  readonly name: string;
  readonly labels: Readonly<Record<string, string>>;
  readonly value: number;
}

/** What a monitor knows when it evaluates a rule. */
export interface Known {
  readonly nowSeconds: number;
  readonly samples: readonly Sample[];
  /** Samples from the beginning of the ranges that are asked about. */
  readonly before?: readonly Sample[];
}

type Series = Pick<Sample, 'labels' | 'value'>;
type Value = number | readonly Series[];

/** Reads the Prometheus text format. */
export function parseMetrics(text: string): Sample[] {
  return text
    .split('\n')
    .filter((line) => line !== '' && !line.startsWith('#'))
    .map((line) => {
      const [, name, labels = '', value] = /^([a-zA-Z_:][\w:]*)(?:\{(.*)\})? (\S+)$/.exec(line) ?? [];
      if (name === undefined) throw new Error(`not a sample: ${line}`);
      return { name, labels: labelsIn(labels), value: Number(value) };
    });
}

function labelsIn(text: string): Record<string, string> {
  return Object.fromEntries([...text.matchAll(/(\w+)="((?:[^"\\]|\\.)*)"/g)].map(([, name, value]) => [name, value]));
}

/** Label sets of the series for which a rule's expression holds: it fires once for each. */
export function firing(expression: string, known: Known): Readonly<Record<string, string>>[] {
  const parser = new Parser(expression, known);
  const result = parser.comparison();
  parser.end();
  return result.map(({ labels }) => labels);
}

/** Names of all metrics that an expression asks for, in any form of the language. */
export function metricsIn(expression: string): string[] {
  const bare = expression.replace(/"[^"]*"|\{[^}]*\}|\[\w+\]|\b(?:by|without) \([^)]*\)/g, ' ');
  return [...new Set([...bare.matchAll(/\b([a-zA-Z_]\w*)\b(?!\s*\()/g)].map(([, name]) => String(name)))];
}

class Parser {
  readonly #text: string;
  readonly #known: Known;
  #rest: string;

  constructor(text: string, known: Known) {
    this.#text = text;
    this.#known = known;
    this.#rest = text;
  }

  comparison(): readonly Series[] {
    const left = this.#difference();
    const [, operator] = this.#take(/^([<>])/);
    const right = this.#difference();
    if (typeof left === 'number') throw new Error(`a rule must begin with a metric: ${this.#text}`);
    const holds = (a: number, b: number): boolean => (operator === '>' ? a > b : a < b);
    return left.filter(({ labels, value }) => {
      const other = typeof right === 'number' ? right : right.find((one) => keyOf(one) === keyOf({ labels }))?.value;
      return other !== undefined && holds(value, other);
    });
  }

  end(): void {
    if (this.#rest !== '') throw new Error(`not understood: "${this.#rest}" in "${this.#text}"`);
  }

  #difference(): Value {
    let value = this.#term();
    while (this.#rest.startsWith('-')) {
      this.#take(/^(-)/);
      value = minus(value, this.#term());
    }
    return value;
  }

  #term(): Value {
    const [, number] = this.#peek(/^(\d+(?:\.\d+)?)/);
    if (number !== undefined) return Number(this.#take(/^(\d+(?:\.\d+)?)/)[1]);
    if (this.#try(/^time\(\)/)) return this.#known.nowSeconds;
    if (this.#try(/^abs\(/)) return this.#closed(mapped(this.#selector(this.#known.samples), Math.abs));
    if (this.#try(/^increase\(/)) return this.#closed(this.#increase());
    const [, by] = this.#peek(/^max by \((\w+)\) \(/);
    if (by === undefined) return this.#selector(this.#known.samples);
    this.#take(/^(max by \(\w+\) \()/);
    return this.#closed(largestBy(by, this.#selector(this.#known.samples)));
  }

  #increase(): readonly Series[] {
    const { before = [], samples } = this.#known;
    const asked = this.#rest;
    const now = this.#selector(samples);
    this.#rest = asked;
    const then = this.#selector(before);
    this.#take(/^(\[\d+[mh]\])/);
    // one sample alone shows no increase
    return now.flatMap(({ labels, value }) => {
      const earlier = then.find((one) => keyOf(one) === keyOf({ labels }));
      return earlier === undefined ? [] : [{ labels, value: value < earlier.value ? value : value - earlier.value }];
    });
  }

  #selector(samples: readonly Sample[]): readonly Series[] {
    const [, name, matchers = ''] = this.#take(/^([a-zA-Z_]\w*)(?:\{([^}]*)\})?(?![\w(])/);
    const wanted = [...matchers.matchAll(/(\w+)(!?=)"([^"]*)"/g)].map(([, label = '', operator, value]) => ({ label, operator, value }));
    if (wanted.length !== (matchers === '' ? 0 : matchers.split(',').length)) throw new Error(`not understood: {${matchers}}`);
    return samples.filter(
      (sample) =>
        sample.name === name &&
        wanted.every(({ label, operator, value }) => ((sample.labels[label] ?? '') === value) === (operator === '=')),
    );
  }

  #closed<Result>(value: Result): Result {
    this.#take(/^(\))/);
    return value;
  }

  #peek(form: RegExp): RegExpExecArray | [] {
    return form.exec(this.#rest) ?? [];
  }

  #try(form: RegExp): boolean {
    const found = form.test(this.#rest);
    this.#rest = this.#rest.replace(form, '').trimStart();
    return found;
  }

  #take(form: RegExp): RegExpExecArray {
    const found = form.exec(this.#rest);
    if (found === null) throw new Error(`not understood: "${this.#rest}" in "${this.#text}"`);
    this.#rest = this.#rest.slice(found[0].length).trimStart();
    return found;
  }
}

function keyOf({ labels }: Pick<Series, 'labels'>): string {
  return JSON.stringify(Object.entries(labels).sort());
}

function mapped(series: readonly Series[], change: (value: number) => number): readonly Series[] {
  return series.map(({ labels, value }) => ({ labels, value: change(value) }));
}

function largestBy(label: string, series: readonly Series[]): readonly Series[] {
  const largest = new Map<string, number>();
  for (const { labels, value } of series) largest.set(labels[label] ?? '', Math.max(value, largest.get(labels[label] ?? '') ?? -Infinity));
  return [...largest].map(([value, most]) => ({ labels: { [label]: value }, value: most }));
}

function minus(left: Value, right: Value): Value {
  if (typeof left === 'number' && typeof right === 'number') return left - right;
  if (typeof left === 'number') return mapped(right as readonly Series[], (value) => left - value);
  if (typeof right === 'number') return mapped(left, (value) => value - right);
  throw new Error('no rule subtracts one metric from another');
}
