/** The arrows of the architecture: main → edges → ingest → core, and no way back. */
const EDGES = '^src/(http|store|forward|cli|intake)/';

module.exports = {
  forbidden: [
    { name: 'no-circular', severity: 'error', from: {}, to: { circular: true } },
    {
      name: 'core-is-pure',
      severity: 'error',
      from: { path: '^src/core/' },
      to: { pathNot: '^(src/core/|node_modules/(fhirpath|jsonc-parser|lossless-json|@types/fhir)/)' },
    },
    { name: 'ingest-knows-no-edge', severity: 'error', from: { path: '^src/ingest' }, to: { path: EDGES } },
    { name: 'edges-know-no-other-edge', severity: 'error', from: { path: EDGES }, to: { path: EDGES, pathNot: '^src/$1/' } },
    {
      name: 'nobody-imports-main',
      severity: 'error',
      from: { path: '^src/', pathNot: '^src/(main|cli/)' },
      to: { path: '^src/main\\.ts$' },
    },
    { name: 'src-needs-no-tests', severity: 'error', from: { path: '^(src|examples)/' }, to: { path: '^(tests|scripts)/' } },
    { name: 'no-unresolvable', severity: 'error', from: {}, to: { couldNotResolve: true } },
  ],
  options: {
    doNotFollow: { path: 'node_modules' },
    tsPreCompilationDeps: true,
    tsConfig: { fileName: 'tsconfig.json' },
    enhancedResolveOptions: {
      exportsFields: ['exports'],
      conditionNames: ['import', 'types', 'node'],
      extensions: ['.ts', '.js', '.d.ts'],
    },
  },
};
