import tseslint from 'typescript-eslint';

/** Numbers lose their written digits in these calls, so resources never go through them. */
const LOSSY_JSON = [
  { selector: "MemberExpression[object.name='JSON'][property.name='parse']", message: 'Resources keep their digits: use parseExactJson.' },
  {
    selector: "CallExpression[callee.object.name='res'][callee.property.name='json']",
    message: 'Answers keep their digits: use sendFhir.',
  },
];

export default tseslint.config(
  {
    ignores: [
      'dist/',
      'dist-fhir/',
      '.built/',
      'node_modules/',
      'coverage/',
      'src/core/conformance/generated/',
      'tests/oracles/node_modules/',
    ],
  },
  ...tseslint.configs.strictTypeChecked,
  {
    languageOptions: {
      parserOptions: {
        projectService: { allowDefaultProject: ['eslint.config.js', 'bin/*.js', '.dependency-cruiser.cjs'] },
        tsconfigRootDir: import.meta.dirname,
      },
    },
    rules: {
      '@typescript-eslint/restrict-template-expressions': ['error', { allowNumber: true }],
      '@typescript-eslint/no-confusing-void-expression': ['error', { ignoreArrowShorthand: true }],
      '@typescript-eslint/no-unused-vars': ['error', { argsIgnorePattern: '^_', varsIgnorePattern: '^_' }],
      '@typescript-eslint/consistent-type-imports': 'error',
      '@typescript-eslint/no-unnecessary-condition': 'off', // exact optional types make it wrong about wire shapes
      '@typescript-eslint/no-unnecessary-type-parameters': 'off',
      '@typescript-eslint/no-unnecessary-type-conversion': 'off', // the other store's driver gives counts as texts
      '@typescript-eslint/no-base-to-string': [
        'error',
        { ignoredTypeNames: ['JsonObject', 'LosslessNumber', 'Error', 'RegExp', 'URL', 'URLSearchParams'] },
      ],
      '@typescript-eslint/no-non-null-assertion': 'error',
      eqeqeq: 'error',
    },
  },
  { files: ['src/**/*.ts'], rules: { 'no-console': 'error' } },
  {
    files: ['src/core/**/*.ts', 'src/ingest/**/*.ts', 'src/http/**/*.ts', 'src/forward/**/*.ts'],
    rules: { 'no-restricted-syntax': ['error', ...LOSSY_JSON] },
  },
  { files: ['src/cli/**/*.ts', 'examples/**/*.ts', 'scripts/**/*.ts'], rules: { 'no-console': 'off' } },
  {
    files: ['tests/**/*.ts'],
    rules: {
      '@typescript-eslint/no-unsafe-assignment': 'off',
      '@typescript-eslint/no-unsafe-member-access': 'off',
      '@typescript-eslint/no-unsafe-argument': 'off',
      '@typescript-eslint/no-unsafe-call': 'off',
      '@typescript-eslint/no-unsafe-return': 'off',
      '@typescript-eslint/no-non-null-assertion': 'off',
      '@typescript-eslint/require-await': 'off',
    },
  },
  { files: ['**/*.js', '**/*.cjs'], ...tseslint.configs.disableTypeChecked },
);
