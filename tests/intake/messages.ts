/** Invented messages: Harbourlight Ward on the morning of 2 March 2026. */

export interface MessageParts {
  readonly header?: Readonly<Record<number, string>>;
  readonly pid?: string;
  readonly obr?: string;
  /** Fields of OBX behind its set id; the first of the list is OBX-2. */
  readonly obx?: readonly string[];
}

/** The name of a person who does not exist; nothing of the service may ever show it. */
export const INVENTED_NAME = 'ZEBRAFINCH^MARIGOLD';
/** Somebody's number in this invented house. */
export const INVENTED_NUMBER = '90210042';

export const WEIGHT = 'NM|29463-7^Body weight^LN|1|70.0|kg^kilogram^UCUM|||||F|||20260302080500+0100||||SCALE-1^^2.999.7^ISO';
export const HEIGHT = 'NM|8302-2^Body height^LN|2|171.5|cm^^UCUM|||||F|||20260302080600+0100||||SCALE-1^^2.999.7^ISO';
export const PID = `PID|1||${INVENTED_NUMBER}^^^HARBOURLIGHT&2.999.1&ISO^MR||${INVENTED_NAME}||19800101|F|||1 Quay Street^^Harbourlight`;
export const OBR = 'OBR|1||R-1001^GW^2.999.5^ISO|29463-7^Body weight^LN|||20260302080000+0100';

/** Segments ended by CR. */
export function message({ header = {}, pid = PID, obr = OBR, obx = [WEIGHT] }: MessageParts = {}): string {
  const msh = [
    'MSH',
    '^~\\&',
    'GATEWAY',
    'HARBOURLIGHT',
    'STEELYARD',
    'EHR',
    '20260302080700+0100',
    '',
    'ORU^R01^ORU_R01',
    'C-1',
    'P',
    '2.5.1',
  ];
  for (const [field, value] of Object.entries(header)) msh[Number(field) - 1] = value;
  const lines = [Array.from(msh, (value) => value ?? '').join('|'), pid, obr, ...obx.map((fields, index) => `OBX|${index + 1}|${fields}`)];
  return lines
    .filter((line) => line !== '')
    .map((line) => `${line}\r`)
    .join('');
}
