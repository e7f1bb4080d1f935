/** Ways of measuring a person, in the words of the ward, and the kind of device that each is done with. */
import type { Measured, Position } from './terminology.ts';

export type Method =
  | 'standing-scale'
  | 'wheelchair-platform'
  | 'chair-scale'
  | 'sling-lift'
  | 'bed-scale'
  | 'infant-scale'
  | 'standing-height'
  | 'recumbent-length';

interface MethodRow {
  readonly display: string;
  readonly of: Measured;
  readonly position: Position;
  readonly deviceKind: string;
  readonly deviceDisplay: string;
}

/** Ways of measuring, and the kind of device each is done with. Ward vocabulary, common practice. */
export const METHODS: Readonly<Record<Method, MethodRow>> = {
  'standing-scale': {
    display: 'Weighed standing on a scale',
    of: 'weight',
    position: 'standing',
    deviceKind: 'standing-scale',
    deviceDisplay: 'Standing scale',
  },
  'wheelchair-platform': {
    display: 'Weighed in a wheelchair on a platform scale, chair subtracted',
    of: 'weight',
    position: 'sitting',
    deviceKind: 'wheelchair-platform-scale',
    deviceDisplay: 'Wheelchair platform scale',
  },
  'chair-scale': {
    display: 'Weighed sitting on a chair scale',
    of: 'weight',
    position: 'sitting',
    deviceKind: 'chair-scale',
    deviceDisplay: 'Chair scale',
  },
  'sling-lift': {
    display: 'Weighed hanging in a sling from a lift scale',
    of: 'weight',
    position: 'sitting',
    deviceKind: 'sling-lift-scale',
    deviceDisplay: 'Sling lift scale',
  },
  'bed-scale': {
    display: 'Weighed lying in a bed with a built-in scale',
    of: 'weight',
    position: 'lying',
    deviceKind: 'bed-scale',
    deviceDisplay: 'Scale built into the bed',
  },
  'infant-scale': {
    display: 'Weighed lying on an infant scale',
    of: 'weight',
    position: 'lying',
    deviceKind: 'infant-scale',
    deviceDisplay: 'Infant scale',
  },
  'standing-height': {
    display: 'Height measured standing against a stadiometer',
    of: 'height',
    position: 'standing',
    deviceKind: 'stadiometer',
    deviceDisplay: 'Stadiometer',
  },
  'recumbent-length': {
    display: 'Length measured lying on a length board',
    of: 'height',
    position: 'lying',
    deviceKind: 'length-board',
    deviceDisplay: 'Length board',
  },
};
