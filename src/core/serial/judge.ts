/**
 * Judges all weights and heights of one person together: which are accepted, which wait, and what
 * the others say of each. A pure function of the readings: neither the order of their arrival nor
 * what stood before makes a difference, so amending, voiding or adding any reading and judging
 * again leaves exactly what a judgement from scratch gives.
 *
 * Readings are gone through in time. Each is compared with what was accepted before it. A doubt
 * about the number is settled by a second weighing near in time that agrees, or by a decision.
 */
import { ageBand } from '../age-bands.ts';
import { bmiCandidates, isPositive, type UsableReading } from '../derive/bmi.ts';
import { ageAt, DAY_MS } from '../fhir-time.ts';
import { finding, type Finding, type RulePassport } from '../finding.ts';
import type { GrowthTables } from '../growth/tables.ts';
import type { Policy } from '../policy.ts';
import { isMeasured, type PersonFacts, type Reading } from '../reading.ts';
import type { Measured } from '../terminology.ts';
import { applyAmong } from '../rules/rule.ts';
import { RULES } from '../rules/index.ts';
import { doublePress, doublePressHeld, secondWeighingAgrees, secondWeighingReleases } from '../rules/repeat.ts';
import { agrees, apartMs, isDoublePress, onTwoScales, tolerance } from './agreement.ts';
import { bare } from './bare.ts';
import { changeSince, intervalWords } from './change.ts';
import { compareWeights } from './comparison.ts';
import { isUnassigned } from '../unassigned.ts';
import { growthOf } from './growth.ts';
import { byTime } from './order.ts';
import { significantAmong, weighed, type Weighed } from './significance.ts';
import { suspect } from './suspicion.ts';
import type { View } from './view.ts';

/** What the person's readings together make of one of them. */
export interface Standing {
  /** With `held`, `repeatOf`, `releasedBy`, `comparison` and `significant` as they ought to be. */
  readonly reading: Reading;
  /** What the others say of it. */
  readonly findings: readonly Finding[];
  /** Its own doubts and those of the others are settled, by a second weighing or a decision. */
  readonly settled: boolean;
}

export interface Surroundings {
  readonly person: PersonFacts;
  readonly policy: Policy;
  /** The growth tables that an operator supplied. */
  readonly growth?: GrowthTables;
}

const AMONG_RULES = RULES.filter(({ among }) => among !== undefined);
const PASSPORTS: ReadonlyMap<string, RulePassport> = new Map(RULES.map((rule) => [rule.id, rule]));

/**
 * The standing of every reading, in the order of time. Readings are of one person; ids are unique.
 *
 * @param fromMs readings that begin before this are known to stand as they say they do (see
 *   `affectedFrom`): they are taken at their word, with nothing said of them
 */
export function judgeSerial(readings: readonly Reading[], surroundings: Surroundings, fromMs = -Infinity): readonly Standing[] {
  const series = new Series([...readings].sort(byTime), surroundings);
  return series.judge(fromMs);
}

/**
 * What the rules see of one reading among the person's others; undefined for one without a number,
 * one that was withdrawn or waits for its person, and for a second press.
 */
export function viewAmong(readings: readonly Reading[], id: string, surroundings: Surroundings): View | undefined {
  const sorted = [...readings].sort(byTime);
  return new Series(sorted, surroundings).viewAt(sorted.findIndex((reading) => reading.id === id));
}

/**
 * From when on a reading that arrives, changes or goes can make others stand otherwise. A reading
 * looks back as far as it likes, but ahead only within a visit or for a second weighing; a birth
 * weight is looked at from everywhere.
 */
export function affectedFrom(changed: readonly Pick<Reading, 'effective' | 'basis'>[], { values }: Pick<Policy, 'values'>): number {
  if (changed.some(({ basis }) => basis === 'birth')) return -Infinity;
  const lookAheadMs = Math.max(DAY_MS, values['release.windowMinutes'] * 60_000, values['repeat.seconds'] * 1000);
  return Math.min(...changed.map(({ effective }) => effective.startMs)) - lookAheadMs;
}

/** One pass over a person's readings; what was accepted so far grows as it goes. */
class Series {
  readonly #sorted: readonly Reading[];
  readonly #surroundings: Surroundings;
  readonly #accepted: Record<Measured, UsableReading[]> = { weight: [], height: [] };
  /** The accepted weights once more, as the thresholds of significant change ask for them. */
  readonly #weighed: Weighed[] = [];
  /** Weighings that are no repeats, by measure: what a double press repeats. */
  readonly #pressed: Record<Measured, UsableReading[]> = { weight: [], height: [] };
  readonly #standings = new Map<string, Standing>();

  constructor(sorted: readonly Reading[], surroundings: Surroundings) {
    this.#sorted = sorted;
    this.#surroundings = surroundings;
  }

  /** @param end place behind the last reading that is judged */
  judge(fromMs: number, end = this.#sorted.length): readonly Standing[] {
    this.#sorted.slice(0, end).forEach((reading, index) => {
      const isSettled = reading.effective.startMs < fromMs;
      const standing = isSettled ? this.#takenAtItsWord(reading) : this.#standingOf(bare(reading), index);
      this.#standings.set(reading.id, standing);
      const { reading: judged } = standing;
      const isBaseline = !judged.held && judged.repeatOf === undefined && !judged.flagged;
      if (!isBaseline || !isMeasured(judged) || !isPositive(judged)) return;
      this.#accepted[judged.of].push(judged);
      if (judged.of === 'weight') this.#weighed.push(weighed(judged));
    });
    return [...this.#standings.values()];
  }

  /** See `viewAmong`. */
  viewAt(index: number): View | undefined {
    const reading = this.#sorted[index];
    if (reading?.quantity === undefined || reading.status === 'entered-in-error' || isUnassigned(reading.person)) return undefined;
    this.judge(-Infinity, index);
    const measured = bare(reading) as UsableReading;
    const counts = isMeasured(measured) && isPositive(measured);
    return counts && this.#pressedBefore(measured) ? undefined : this.#viewOf(measured, counts, index);
  }

  #takenAtItsWord(reading: Reading): Standing {
    const isWeighing = reading.repeatOf === undefined && isMeasured(reading) && isPositive(reading);
    if (isWeighing && !isUnassigned(reading.person)) this.#pressed[reading.of].push(reading);
    return { reading, findings: [], settled: false };
  }

  #standingOf(reading: Reading, index: number): Standing {
    const isWithdrawn = reading.status === 'entered-in-error';
    // two people at one scale are no series: what waits to be claimed is nobody's neighbour
    if (isUnassigned(reading.person)) return { reading: { ...reading, held: !isWithdrawn }, findings: [], settled: false };
    if (isWithdrawn || reading.quantity === undefined) return this.#alone(reading, isWithdrawn);
    const measured = reading as UsableReading;
    const counts = isMeasured(measured) && isPositive(measured);
    const first = counts ? this.#pressedBefore(measured) : undefined;
    if (first) return this.#repeat(measured, first);
    if (counts) this.#pressed[measured.of].push(measured);
    const view = this.#viewOf(measured, counts, index);
    return this.#conclude(view, applyAmong(AMONG_RULES, view), index);
  }

  /** Without a number there is nothing to compare. */
  #alone(reading: Reading, isWithdrawn: boolean): Standing {
    const held = !isWithdrawn && reading.kept === undefined && (reading.doubts ?? []).length > 0;
    return { reading: { ...reading, held }, findings: [], settled: reading.kept === true };
  }

  #pressedBefore(reading: UsableReading): UsableReading | undefined {
    const { policy } = this.#surroundings;
    const since = reading.effective.startMs - policy.values['repeat.seconds'] * 1000;
    const pressed = this.#pressed[reading.of];
    for (let place = pressed.length - 1; place >= 0; place -= 1) {
      const earlier = pressed[place] as UsableReading;
      if (earlier.effective.startMs < since) return undefined;
      if (isDoublePress(earlier, reading, policy)) return earlier;
    }
    return undefined;
  }

  /** Kept and linked; it waits as long as the first one does. */
  #repeat(reading: UsableReading, first: UsableReading): Standing {
    const held = this.#standings.get(first.id)?.reading.held === true;
    const facts = { first: first.id, seconds: String(Math.round(apartMs(first, reading) / 1000)) };
    return {
      reading: { ...reading, held, repeatOf: first.id },
      findings: [finding(held ? doublePressHeld : doublePress, facts)],
      settled: !held,
    };
  }

  #viewOf(reading: UsableReading, counts: boolean, index: number): View {
    const { person, policy, growth: tables } = this.#surroundings;
    const { startMs } = reading.effective;
    const age = person.birthDate === undefined ? undefined : ageAt(person.birthDate, startMs);
    const previous = this.#accepted[reading.of].at(-1);
    const candidates = counts ? bmiCandidates(reading, this.#accepted, person, policy) : { drafts: [], impossible: [] };
    const birthWeight = this.#sorted.find(isBirthWeight);
    const about: Pick<View, 'reading' | 'policy' | 'age' | 'birthWeight'> = {
      reading,
      policy,
      ...(age && { age }),
      ...(birthWeight && { birthWeight }),
    };
    const growth = growthOf({ reading, counts, person, policy }, candidates.drafts, tables);
    const view: View = {
      ...about,
      counts,
      person,
      band: reading.basis === 'birth' ? 'newborn' : ageBand(age),
      accepted: this.#accepted,
      ...(counts && previous && { change: changeSince(previous, reading, person) }),
      significant: counts && reading.of === 'weight' ? this.#significant(about) : [],
      ...(growth && { growth }),
      visit: this.#visitOf(reading, index),
      bmi: candidates.drafts,
      impossibleBmi: candidates.impossible,
      knownTares: this.#taresBefore(reading),
    };
    const suspicion = suspect(view);
    const comparison = counts && reading.of === 'weight' ? compareWeights(view) : undefined;
    return { ...view, ...(suspicion && { suspicion }), ...(comparison && { comparison }) };
  }

  /** A birth weight that waits is compared with by the newborn's own check alone. */
  #significant({ birthWeight, ...about }: Pick<View, 'reading' | 'policy' | 'age' | 'birthWeight'>): View['significant'] {
    const stands = birthWeight !== undefined && this.#standings.get(birthWeight.id)?.reading.held === false;
    return significantAmong({ ...about, ...(stands && { birthWeight }) }, this.#weighed);
  }

  /** Readings of the other measure within a day, whatever became of them. */
  #visitOf(reading: UsableReading, index: number): UsableReading[] {
    return this.#near(index, DAY_MS).filter((other) => other.of !== reading.of && isMeasured(other) && isPositive(other));
  }

  /** Others with a number within `spanMs` of the one at `index`, nearest in order first. */
  #near(index: number, spanMs: number): UsableReading[] {
    const at = (this.#sorted[index] as Reading).effective.startMs;
    const found: UsableReading[] = [];
    for (const step of [-1, 1]) {
      for (let place = index + step; ; place += step) {
        const other = this.#sorted[place];
        if (other === undefined || Math.abs(other.effective.startMs - at) > spanMs) break;
        if (other.quantity !== undefined) found.push(other as UsableReading);
      }
    }
    return found;
  }

  #taresBefore(reading: UsableReading): UsableReading['quantity'][] {
    const fromReadings = this.#accepted.weight.flatMap(({ tare }) => tare ?? []);
    return [...(this.#surroundings.person.chairs ?? []), ...fromReadings.slice(-20), ...(reading.tare ? [reading.tare] : [])];
  }

  #conclude(view: View, said: readonly Finding[], index: number): Standing {
    const { reading } = view;
    const doubts = [
      ...said.filter(({ outcome }) => outcome === 'hold' || outcome === 'refuse').map(({ rule }) => rule),
      ...(reading.doubts ?? []).map((id) => PASSPORTS.get(id)),
    ];
    if (doubts.length === 0) return { reading: this.#accept(view), findings: [...said, ...this.#releases(view)], settled: false };
    const confirmer = reading.kept ? undefined : this.#confirmerOf(view, doubts, index);
    if (!reading.kept && !confirmer) {
      return { reading: { ...reading, held: true }, findings: said.filter(({ rule }) => !rule.onlyAccepted), settled: false };
    }
    const settled = said.map(asSettled);
    const accepted = this.#accept(view);
    if (confirmer === undefined) return { reading: accepted, findings: settled, settled: true };
    const agreed = finding(secondWeighingAgrees, {
      other: confirmer.id,
      apart: intervalWords(apartMs(reading, confirmer)),
      tolerance: `${tolerance(reading, confirmer, view.age, view.policy.values)} ${reading.of === 'weight' ? 'kg' : 'cm'}`,
    });
    return { reading: { ...accepted, releasedBy: confirmer.id }, findings: [...settled, agreed], settled: true };
  }

  #accept({ reading, comparison, significant }: View): Reading {
    if (reading.flagged) return reading;
    const reached = significant.map(({ threshold, earlierId }) => ({ threshold: threshold.id, earlier: earlierId }));
    return { ...reading, ...(comparison && { comparison }), ...(reached.length > 0 && { significant: reached }) };
  }

  /** What an accepted reading did for the one before it. */
  #releases({ reading, change }: View): Finding[] {
    return change?.previous.releasedBy === reading.id ? [finding(secondWeighingReleases, { other: change.previous.id })] : [];
  }

  #confirmerOf(
    { reading, counts, age, policy }: View,
    doubts: readonly (RulePassport | undefined)[],
    index: number,
  ): UsableReading | undefined {
    if (!counts || doubts.some((rule) => rule?.settledBy === undefined)) return undefined;
    const needsOtherScale = doubts.some((rule) => rule?.settledBy === 'other-scale');
    return this.#near(index, policy.values['release.windowMinutes'] * 60_000).find(
      (other) =>
        isMeasured(other) &&
        !other.flagged &&
        (other.doubts ?? []).every((id) => PASSPORTS.get(id)?.settledBy !== undefined) &&
        (!needsOtherScale || onTwoScales(reading, other)) &&
        agrees(reading, other, age, policy),
    );
  }
}

/** A doubt that a second weighing or a decision has settled: still said, no longer a reason to wait. */
export function asSettled(found: Finding): Finding {
  return found.outcome === 'hold' || found.outcome === 'refuse' ? { ...found, outcome: 'warn' } : found;
}

function isBirthWeight(reading: Reading): reading is UsableReading {
  const { of, basis, status, flagged, quantity } = reading;
  return of === 'weight' && basis === 'birth' && status !== 'entered-in-error' && !flagged && quantity !== undefined;
}
