/**
 * docker-compose.yml speaks of this project as it is. What only an engine can show (images that can
 * be had, rights inside containers) is not shown here.
 */
import { existsSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { parse } from 'yaml';
import { describeConfig } from '../src/config.ts';
import { AUDIENCE, HOLDERS, ISSUER } from '../examples/tokens/issuer.ts';

const ROOT = join(import.meta.dirname, '..');
const read = (name: string): string => readFileSync(join(ROOT, name), 'utf8');

interface Service {
  readonly image?: string;
  readonly build?: { readonly dockerfile_inline: string };
  readonly depends_on?: Readonly<Record<string, { readonly condition: string }>>;
  readonly volumes?: readonly string[];
  readonly environment?: Readonly<Record<string, string>>;
  readonly networks?: readonly string[];
  readonly network_mode?: string;
  readonly ports?: readonly string[];
  readonly expose?: readonly string[];
  readonly command?: readonly string[];
  readonly healthcheck: { readonly test: readonly string[] };
  readonly read_only: boolean;
  readonly cap_drop: readonly string[];
  readonly security_opt: readonly string[];
  readonly mem_limit: string;
  readonly cpus: number;
  readonly pids_limit: number;
  readonly stop_grace_period?: string;
}

const compose = parse(read('docker-compose.yml'), { merge: true }) as {
  readonly services: Readonly<Record<string, Service>>;
  readonly networks: Readonly<Record<string, { readonly internal?: boolean } | null>>;
  readonly volumes: Readonly<Record<string, null>>;
};
const services = Object.entries(compose.services);
const replicas = services.filter(([, { command }]) => command?.includes('serve'));
const ours = services.filter(([, { build }]) => build !== undefined);

/** Where a service's programs and those who check or call it find it. */
function portOf({ environment = {}, expose = [] }: Service): string {
  return environment['STEELYARD_PORT'] ?? environment['PORT'] ?? expose[0] ?? '';
}

describe('every service', () => {
  test.each(services)('%s is checked, bounded and given no more rights than it needs', (_name, service) => {
    expect(service.healthcheck.test.length).toBeGreaterThan(1);
    expect(service).toMatchObject({ read_only: true, cap_drop: ['ALL'], security_opt: ['no-new-privileges:true'] });
    expect([service.mem_limit, service.cpus, service.pids_limit].every((limit) => limit !== undefined)).toBe(true);
  });

  test.each(services)('%s waits only for services that are checked', (_name, { depends_on = {} }) => {
    for (const [other, { condition }] of Object.entries(depends_on)) {
      expect(compose.services[other]?.healthcheck.test.length, other).toBeGreaterThan(0);
      expect(condition).toBe('service_healthy');
    }
  });

  test.each(services)('%s uses networks and volumes that are declared, and files that exist', (_name, { networks = [], volumes = [] }) => {
    expect(networks.filter((network) => !(network in compose.networks))).toEqual([]);
    const sources = volumes.map((volume) => volume.split(':')[0] ?? '');
    expect(sources.filter((source) => (source.startsWith('./') ? !existsSync(join(ROOT, source)) : !(source in compose.volumes)))).toEqual(
      [],
    );
  });

  test.each(services)('%s is an image of one version, or built from here', (_name, { image, build }) => {
    expect(build === undefined ? /:v?\d+\.\d+(\.\d+)?(-[a-z0-9]+)?$/.test(image ?? '') : build.dockerfile_inline.includes('npm ci')).toBe(
      true,
    );
  });

  test.each(services)('%s is published on loopback only, if at all', (name, { ports = [], networks = [] }) => {
    expect(ports.filter((port) => !port.startsWith('127.0.0.1:'))).toEqual([]);
    // without an outer network a published port leads nowhere
    const isOuter = networks.some((network) => compose.networks[network]?.internal !== true);
    expect(isOuter, name).toBe(ports.length > 0);
  });
});

describe('our own services', () => {
  test.each(ours)('%s starts a program that a build makes', (_name, { command = [] }) => {
    const program = command[1] ?? '';
    expect(command[0]).toBe('node');
    expect(existsSync(join(ROOT, program.replace(/^dist\/(.*)\.js$/, '$1.ts'))), program).toBe(true);
  });

  test.each(ours)('%s is given only variables that it reads', (_name, { environment = {}, command = [] }) => {
    const source = (command[1] ?? '').startsWith('bin/') ? '' : read((command[1] ?? '').replace(/^dist\/(.*)\.js$/, '$1.ts'));
    const settings = new Set(describeConfig().map(({ name }) => name));
    expect(Object.keys(environment).filter((name) => !settings.has(name) && !source.includes(`process.env['${name}']`))).toEqual([]);
  });

  test('the folders of the image are those that the issuer writes into', () => {
    const { build, volumes = [] } = compose.services['issuer']!;
    for (const volume of volumes) expect(build?.dockerfile_inline).toContain(` ${volume.split(':')[1]}`);
    const written = [...HOLDERS.map(({ file }) => file), 'keys/jwks.json', 'database/url', 'database/password', 'grafana/password'];
    const folders = new Set(written.map((file) => `/try-out/${file.split('/')[0]}`));
    expect(new Set(volumes.map((volume) => volume.split(':')[1]))).toEqual(folders);
  });
});

describe('the replicas', () => {
  test('are two, with the same settings, behind the load balancer', () => {
    expect(replicas).toHaveLength(2);
    expect(replicas[0]?.[1]).toEqual(replicas[1]?.[1]);
    for (const [name, service] of replicas) expect(read('ops/load-balancer.conf')).toContain(`server ${name}:${portOf(service)} `);
  });

  test('ask for tokens of the issuer that runs beside them', () => {
    expect(replicas[0]?.[1].environment).toMatchObject({ STEELYARD_AUTH: 'jwt', STEELYARD_ISSUER: ISSUER, STEELYARD_AUDIENCE: AUDIENCE });
  });

  test('find every file in a volume that the issuer fills', () => {
    const filled = new Map((compose.services['issuer']?.volumes ?? []).map((volume) => volume.split(':') as [string, string]));
    const mounts = new Map((replicas[0]?.[1].volumes ?? []).map((volume) => volume.split(':').slice(0, 2).reverse() as [string, string]));
    for (const path of ['/run/try-out/keys/jwks.json', '/run/try-out/database/url']) {
      expect(Object.values(replicas[0]?.[1].environment ?? {})).toContain(path);
      const volume = mounts.get(path.slice(0, path.lastIndexOf('/'))) ?? '';
      expect(filled.get(volume), path).toBe(path.slice(0, path.lastIndexOf('/')).replace('/run', ''));
    }
  });

  test('have the time that a stop takes', () => {
    for (const [, { stop_grace_period }] of replicas) expect(Number.parseInt(stop_grace_period ?? '', 10)).toBeGreaterThan(10);
  });

  test('forward to the stand-in EHR, where it listens', () => {
    const ehr = compose.services['ehr']!;
    expect(replicas[0]?.[1].environment?.['STEELYARD_EHR_URL']).toBe(`http://ehr:${portOf(ehr)}/fhir`);
    expect(ehr.networks?.some((network) => replicas[0]?.[1].networks?.includes(network))).toBe(true);
  });
});

describe('the checks', () => {
  const asked = services.flatMap(([name, service]) => {
    const [, port = '', path = ''] = /http:\/\/127\.0\.0\.1:(\d+)(\/[\w/-]*)/.exec(service.healthcheck.test.join(' ')) ?? [];
    return port === '' ? [] : [{ name, service, port, path }];
  });

  test.each(asked.filter(({ name }) => name.startsWith('steelyard')))(
    'of $name ask a route of ours at its port',
    ({ service, port, path }) => {
      expect(port).toBe(portOf(service));
      expect(read('src/http/operations.ts')).toContain(`'${path}'`);
    },
  );

  test('of the load balancer ask it for a route of ours', () => {
    const { port, path } = asked.find(({ name }) => name === 'load-balancer')!;
    expect(read('ops/load-balancer.conf')).toContain(`listen ${port};`);
    expect(read('src/http/operations.ts')).toContain(`'${path}'`);
  });

  test('of the stand-in EHR ask it where it listens', () => {
    const { port, path } = asked.find(({ name }) => name === 'ehr')!;
    expect([port, path]).toEqual([portOf(compose.services['ehr']!), '/fhir/metadata']);
  });
});

describe('the monitor', () => {
  const prometheus = parse(read('ops/prometheus.yml')) as {
    readonly rule_files: readonly string[];
    readonly scrape_configs: readonly {
      readonly metrics_path: string;
      readonly authorization: { readonly credentials_file: string };
      readonly static_configs: readonly { readonly targets: readonly string[] }[];
    }[];
  };
  const { volumes = [] } = compose.services['prometheus']!;

  test('collects from each replica, with a token that the issuer renews', () => {
    const [scrape] = prometheus.scrape_configs;
    expect(scrape?.static_configs[0]?.targets).toEqual(replicas.map(([name, service]) => `${name}:${portOf(service)}`));
    expect(read('src/http/operations.ts')).toContain(`'${scrape?.metrics_path}'`);
    expect(scrape?.authorization.credentials_file).toBe('/run/try-out/monitor/token');
    expect(volumes).toContain('try-out-monitor:/run/try-out/monitor:ro');
    expect(HOLDERS.map(({ file }) => file)).toContain('monitor/token');
  });

  test('has our alert rules, and the dashboard is where it is looked for', () => {
    expect(volumes).toContain(`./ops/alerts.rules.yml:${prometheus.rule_files[0]}:ro`);
    const grafana = compose.services['grafana']?.volumes ?? [];
    const { providers } = parse(read('ops/grafana/dashboards.yml')) as { providers: { options: { path: string } }[] };
    expect(grafana.some((volume) => volume.startsWith(`./ops/dashboard.json:${providers[0]?.options.path}/`))).toBe(true);
    expect(read('ops/grafana/datasources.yml')).toContain('uid: prometheus');
  });
});
