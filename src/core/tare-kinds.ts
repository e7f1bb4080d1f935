/** Kinds of things that are weighed together with a person. Ward vocabulary, common practice. */
export type TareKind = 'wheelchair' | 'cushion' | 'sling' | 'linen';

/** Codes of our kinds of device, beside those of scales. */
export const TARE_KINDS: Readonly<Record<TareKind, string>> = {
  wheelchair: 'Wheelchair',
  cushion: 'Cushion of a chair',
  sling: 'Sling of a lift',
  linen: 'Bed linen',
};
