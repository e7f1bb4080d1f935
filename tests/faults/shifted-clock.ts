/**
 * Preloaded into a service process: its clock can be set wrong from outside, as an operating
 * system's clock can. Shifts `Date` and leaves timers alone, as a step of the real clock does. The
 * first shift is in FAULTS_CLOCK_SHIFT_MS, later ones come over the process's channel.
 */
const RealDate = Date;
let shiftMs = Number(process.env['FAULTS_CLOCK_SHIFT_MS'] ?? 0);

class ShiftedDate extends RealDate {
  constructor(...parts: unknown[]) {
    if (parts.length === 0) super(ShiftedDate.now());
    else super(...(parts as [number]));
  }

  static override now(): number {
    return RealDate.now() + shiftMs;
  }
}

globalThis.Date = ShiftedDate as DateConstructor;
process.on('message', (message: { readonly shiftMs?: number }) => {
  if (message.shiftMs !== undefined) shiftMs = message.shiftMs;
});
// being listened to must not keep a service alive that wants to end
process.channel?.unref();
