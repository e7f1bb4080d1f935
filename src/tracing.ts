/**
 * Traces by OpenTelemetry, sent to a collector over OTLP/HTTP. Its packages are optional and loaded
 * only when a collector is configured. Nothing that a collector does reaches a call: spans go into a
 * bounded queue, are sent in the background, and are dropped when that does not work.
 */
import { withoutTrailing } from './trailing.ts';
import { AsyncLocalStorage } from 'node:async_hooks';
import type { Context, SpanContext, Tracer as OtelTracer } from '@opentelemetry/api';
import { ConfigError } from './config.ts';
import type { Span, SpanOptions, Tracer } from './tracer.ts';

/** A collector that takes longer has lost the batch. */
const EXPORT_TIMEOUT_MS = 5_000;

export interface TracingOptions {
  /** Base of the collector, as in `OTEL_EXPORTER_OTLP_ENDPOINT`. */
  readonly endpoint: string;
  /** Version of this software. */
  readonly version: string;
  /** Loads the optional packages; rejects when they are not installed. */
  readonly load?: () => Promise<Libraries>;
}

type Libraries = Awaited<ReturnType<typeof loadLibraries>>;

async function loadLibraries() {
  const [api, sdk, resources, exporter] = await Promise.all([
    import('@opentelemetry/api'),
    import('@opentelemetry/sdk-trace-base'),
    import('@opentelemetry/resources'),
    import('@opentelemetry/exporter-trace-otlp-http'),
  ]);
  return { api, sdk, resources, exporter };
}

/** @throws ConfigError when the optional packages are not installed */
export async function startTracing({ endpoint, version, load = loadLibraries }: TracingOptions): Promise<Tracer> {
  const { api, sdk, resources, exporter } = await load().catch(() => {
    throw new ConfigError([
      'OTEL_EXPORTER_OTLP_ENDPOINT needs the optional packages for traces, which are not installed; run npm ci without --omit=optional, or unset it.',
    ]);
  });
  const provider = new sdk.BasicTracerProvider({
    resource: resources.resourceFromAttributes({ 'service.name': 'steelyard', 'service.version': version }),
    spanProcessors: [
      // OTLP specification, "OTLP/HTTP Request": the path of traces is v1/traces below the base
      new sdk.BatchSpanProcessor(
        new exporter.OTLPTraceExporter({ url: `${withoutTrailing(endpoint, '/')}/v1/traces`, timeoutMillis: EXPORT_TIMEOUT_MS }),
      ),
    ],
  });
  return createTracer(api, provider.getTracer('steelyard', version), () => provider.shutdown());
}

function createTracer(api: Libraries['api'], otel: OtelTracer, shutDown: () => Promise<void>): Tracer {
  const underWay = new AsyncLocalStorage<string | undefined>();
  const kinds = { server: api.SpanKind.SERVER, client: api.SpanKind.CLIENT, internal: api.SpanKind.INTERNAL };

  const contextOf = (traceParent: string | undefined): Context => {
    const parent = parseTraceParent(traceParent);
    return parent === undefined ? api.ROOT_CONTEXT : api.trace.setSpanContext(api.ROOT_CONTEXT, parent);
  };

  const begin = ({ name, kind, parent = underWay.getStore(), attributes = {} }: SpanOptions): Span => {
    const span = otel.startSpan(name, { kind: kinds[kind], attributes }, contextOf(parent));
    return {
      traceParent: toTraceParent(span.spanContext()),
      rename: (newName) => void span.updateName(newName),
      note: (more) => void span.setAttributes(more),
      fail: (why) => void span.setStatus({ code: api.SpanStatusCode.ERROR }).setAttribute('error.type', why),
      end: () => span.end(),
    };
  };

  return {
    begin,
    async within(options, work) {
      const span = begin(options);
      try {
        return await underWay.run(span.traceParent, () => work(span));
      } catch (error) {
        span.fail(nameOf(error));
        throw error;
      } finally {
        span.end();
      }
    },
    under: (traceParent, work) => underWay.run(traceParent, work),
    async stop(longestMs) {
      let timer: NodeJS.Timeout | undefined;
      const tooLong = new Promise<void>((resolve) => {
        timer = setTimeout(resolve, longestMs);
      });
      await Promise.race([shutDown().catch(() => undefined), tooLong]);
      clearTimeout(timer);
    },
  };
}

/** W3C Trace Context level 1, section 3.2: version, trace id, parent id, flags; neither id all zeros. */
const TRACE_PARENT = /^(?!ff)([0-9a-f]{2})-(?!0{32})([0-9a-f]{32})-(?!0{16})([0-9a-f]{16})-([0-9a-f]{2})(-.*)?$/;

/** Undefined for what cannot be read: then a new trace begins, as the standard asks. */
function parseTraceParent(text: string | undefined): SpanContext | undefined {
  const [, version, traceId, spanId, flags, more] = TRACE_PARENT.exec(text ?? '') ?? [];
  if (traceId === undefined || spanId === undefined || flags === undefined) return undefined;
  // later versions may say more behind the flags; the first one may not
  if (version === '00' && more !== undefined) return undefined;
  return { traceId, spanId, traceFlags: Number.parseInt(flags, 16) & 1, isRemote: true };
}

function toTraceParent({ traceId, spanId, traceFlags }: SpanContext): string {
  return `00-${traceId}-${spanId}-${traceFlags.toString(16).padStart(2, '0')}`;
}

/** Code or class of an error, never its message. */
function nameOf(error: unknown): string {
  if (!(error instanceof Error)) return 'unknown';
  return 'code' in error && typeof error.code === 'string' ? error.code : error.name;
}
