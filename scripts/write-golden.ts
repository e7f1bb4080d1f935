/**
 * Writes the answers in the golden files of `rules/` anew, from the service itself: a person then
 * looks at the difference. A file that no longer shows what it is for is left as it is. Rule ids as
 * arguments limit it to those; `--check` writes nothing. Exits 1 when there is something to mend.
 */
import { existsSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { exactNumber, parseExactJson, type JsonObject } from '../src/core/json.ts';
import { prettyJson } from '../src/core/pretty-json.ts';
import { RULES } from '../src/core/rules/index.ts';
import { readRuleStory, SIDES, type ExampleAnswer, type Side } from '../src/rule-examples.ts';
import { answerOf } from '../tests/golden/runner.ts';

export const GOLDEN_FOLDER = join(import.meta.dirname, '..', 'rules');

/** A golden file as it ought to be, or why nothing can be written. */
export type Renewed = { readonly ok: true; readonly text: string } | { readonly ok: false; readonly problem: string };

/**
 * The file with the answer that the service gives today, in the form in which golden files are kept.
 *
 * @param text the file as it is; its answer may be missing
 */
export async function renewed(text: string, rule: string, side: Side): Promise<Renewed> {
  try {
    const answer = await answerOf(readRuleStory(text, side));
    const problem = problemWith(answer, rule, side);
    if (problem !== undefined) return { ok: false, problem };
    const tree = parseExactJson(text);
    if (!tree.ok) throw new Error(tree.problem.reason);
    return { ok: true, text: `${prettyJson({ ...(tree.value as JsonObject), answer: treeOf(answer) })}\n` };
  } catch (error) {
    return { ok: false, problem: (error as Error).message };
  }
}

/** A passing example is spotless, and a failing one has the one fault that it shows. */
function problemWith({ verdict, issues }: ExampleAnswer, rule: string, side: Side): string | undefined {
  const said = issues.map((issue) => issue.rule);
  const faults = issues.filter(({ outcome }) => outcome === 'refuse' || outcome === 'hold').map((issue) => issue.rule);
  if (side === 'pass') {
    if (said.includes(rule)) return 'the rule speaks, and should be silent';
    return verdict === 'accepted' ? undefined : `it is ${verdict} by ${faults.join(', ')}`;
  }
  if (!said.includes(rule)) return `the rule is silent, and should speak; what speaks is ${said.join(', ')}`;
  // what nobody can weigh is refused as impossible, whatever mix-up explains it
  const isMixUp = RULES.find(({ id }) => id === rule)?.family === 'mix-up';
  const others = faults.filter((fault) => fault !== rule && !(isMixUp && fault === 'value-impossible'));
  return others.length === 0 ? undefined : `it has another fault: ${others.join(', ')}`;
}

function treeOf({ status, verdict, issues }: ExampleAnswer): JsonObject {
  return { status: exactNumber(status), verdict, issues: issues.map((issue) => ({ ...issue })) };
}

async function main(args: readonly string[]): Promise<void> {
  const isCheck = args.includes('--check');
  const wanted = args.filter((arg) => !arg.startsWith('--'));
  const rules = RULES.map(({ id }) => id).filter((id) => wanted.length === 0 || wanted.includes(id));
  const files = rules.flatMap((rule) => SIDES.map((side) => ({ rule, side, file: join(GOLDEN_FOLDER, rule, `${side}.json`) })));
  const toMend: string[] = [];
  let written = 0;
  for (const { rule, side, file } of files) {
    const before = existsSync(file) ? readFileSync(file, 'utf8') : undefined;
    const after: Renewed = before === undefined ? { ok: false, problem: 'there is no such file' } : await renewed(before, rule, side);
    if (!after.ok) toMend.push(`rules/${rule}/${side}.json: ${after.problem}.`);
    else if (after.text !== before && isCheck)
      toMend.push(`rules/${rule}/${side}.json is not what the service answers; npm run golden rewrites it.`);
    else if (after.text !== before) {
      writeFileSync(file, after.text);
      written += 1;
    }
  }
  for (const line of toMend) process.stderr.write(`${line}\n`);
  process.stdout.write(`${files.length} golden files, ${written} rewritten, ${toMend.length} to mend.\n`);
  if (toMend.length > 0 || files.length === 0) process.exitCode = 1;
}

if (process.argv[1] === import.meta.filename) await main(process.argv.slice(2));
