/**
 * The Content-Security-Policy of pages for people: nothing from elsewhere, nothing inline, nothing
 * framed, and no HTML made of text by a program in the browser (W3C Content Security Policy Level 3;
 * W3C Trusted Types).
 */
export const PAGE_POLICY = [
  "default-src 'none'",
  "script-src 'self'",
  "style-src 'self'",
  "img-src 'self'",
  "connect-src 'self'",
  "object-src 'none'",
  "form-action 'self'",
  "base-uri 'none'",
  "frame-ancestors 'none'",
  "require-trusted-types-for 'script'",
  "trusted-types 'none'",
].join('; ');
