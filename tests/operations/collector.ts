/** A stand-in for an OpenTelemetry collector on loopback: OTLP over HTTP, JSON, kept in memory. */
import { once } from 'node:events';
import { createServer } from 'node:http';
import type { AddressInfo } from 'node:net';
import { closeAfterTest } from '../closing.ts';

export interface ReceivedSpan {
  readonly name: string;
  /** 1 internal, 2 server, 3 client (OTLP, Span.SpanKind). */
  readonly kind: number;
  readonly traceId: string;
  readonly spanId: string;
  readonly parentSpanId: string;
  readonly attributes: Readonly<Record<string, unknown>>;
  readonly failed: boolean;
}

export interface Collector {
  readonly url: string;
  /** Paths that were called. */
  readonly paths: readonly string[];
  spans(): readonly ReceivedSpan[];
  /** All that arrived, as it arrived. */
  text(): string;
}

interface Value {
  readonly stringValue?: string;
  readonly intValue?: string | number;
  readonly arrayValue?: { readonly values: readonly Value[] };
}
interface Exported {
  readonly resourceSpans: readonly {
    readonly scopeSpans: readonly {
      readonly spans: readonly (Omit<ReceivedSpan, 'attributes' | 'failed'> & {
        readonly attributes: readonly { readonly key: string; readonly value: Value }[];
        readonly status?: { readonly code?: number };
      })[];
    }[];
  }[];
}

/** @param answer what it does with a batch: takes it, fails, or never answers */
export async function startCollector(answer: 'takes' | 'fails' | 'hangs' = 'takes'): Promise<Collector> {
  const bodies: string[] = [];
  const paths: string[] = [];
  const server = createServer((req, res) => {
    const chunks: Buffer[] = [];
    req.on('data', (chunk: Buffer) => chunks.push(chunk));
    req.on('end', () => {
      bodies.push(Buffer.concat(chunks).toString('utf8'));
      paths.push(req.url ?? '');
      if (answer !== 'hangs') res.writeHead(answer === 'takes' ? 200 : 500, { 'content-type': 'application/json' }).end('{}');
    });
  });
  server.listen(0, '127.0.0.1');
  await once(server, 'listening');
  closeAfterTest(() => {
    server.close();
    server.closeAllConnections();
  });
  return {
    url: `http://127.0.0.1:${(server.address() as AddressInfo).port}`,
    paths,
    text: () => bodies.join('\n'),
    spans: () =>
      bodies
        .flatMap((body) => (JSON.parse(body) as Exported).resourceSpans)
        .flatMap(({ scopeSpans }) => scopeSpans)
        .flatMap(({ spans }) => spans)
        .map(({ attributes, status, ...span }) => ({
          ...span,
          parentSpanId: span.parentSpanId ?? '',
          attributes: Object.fromEntries(attributes.map(({ key, value }) => [key, plain(value)])),
          failed: status?.code === 2,
        })),
  };
}

function plain({ stringValue, intValue, arrayValue }: Value): unknown {
  return arrayValue ? arrayValue.values.map(plain) : (stringValue ?? Number(intValue));
}
