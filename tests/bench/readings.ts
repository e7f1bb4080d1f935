/** Readings for the benchmark: many shapes and persons, since one shape flatters. */

const CATEGORY = '"category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"vital-signs"}]}]';
const UNITS = [
  { code: 'kg', value: (n: number) => `${60 + (n % 40)}.${n % 10}` },
  { code: 'g', value: (n: number) => `${600 + (n % 400)}00` },
  { code: '[lb_av]', value: (n: number) => `${140 + (n % 60)}.${['00', '25', '50', '75'][n % 4] as string}` },
] as const;
const EXTRAS = [
  '',
  ',"device":{"reference":"Device/bench-scale"}',
  ',"performer":[{"display":"Invented Nurse"}],"note":[{"text":"invented for the benchmark"}]',
  ',"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"8352-7"}]},"valueCodeableConcept":{"coding":[{"system":"http://loinc.org","code":"LA11871-3"}]}}]',
] as const;

/** Reading number `n`: every tenth is a height, the others weights in three units and four shapes. */
export function benchReading(run: string, n: number, nowMs: number): string {
  const person = `bench-${n % 20_000}`;
  const at = new Date(nowMs - 3_600_000 + (n % 3_000_000)).toISOString();
  const unit = UNITS[n % 3] as (typeof UNITS)[number];
  const isHeight = n % 10 === 0;
  const loinc = isHeight ? '8302-2' : n % 2 === 0 ? '29463-7' : '3141-9';
  const [value, code] = isHeight ? [`${150 + (n % 40)}.${n % 10}`, 'cm'] : [unit.value(n), unit.code];
  return (
    `{"resourceType":"Observation","identifier":[{"system":"urn:example:bench","value":"${run}-${n}"}],"status":"final",${CATEGORY},` +
    `"code":{"coding":[{"system":"http://loinc.org","code":"${loinc}"}]},"subject":{"reference":"Patient/${person}"},"effectiveDateTime":"${at}",` +
    `"valueQuantity":{"value":${value},"unit":"${code}","system":"http://unitsofmeasure.org","code":"${code}"}${EXTRAS[n % 4] as string}}`
  );
}
