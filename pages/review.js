// @ts-check
/**
 * What the pages cannot do without a program in the browser: renew the worklist while somebody looks
 * at it, leave the page when nobody does, and take a file into a field. Everything else works without it.
 *
 * Nothing is kept in the browser, and no HTML is ever made of text here: what is renewed comes as a
 * document from the service, and its parts are moved over.
 */

const POLL_MS = 5_000;

const live = document.querySelector('[data-live="worklist"]');
if (live) keepFresh();
leaveWhenIdle();
showNothingAgain();
for (const field of document.querySelectorAll('textarea[data-drop]')) if (field instanceof HTMLTextAreaElement) takeFiles(field);

/** Server-sent events while they come, asking every few seconds while they do not. */
function keepFresh() {
  let mark = '';
  let poll = 0;
  const events = new EventSource('/review/events');
  events.addEventListener('worklist', (event) => {
    window.clearInterval(poll);
    poll = 0;
    if (event.data === mark) return;
    mark = event.data;
    // also the first time: something may have come between the page and its stream
    renew();
  });
  events.addEventListener('error', () => {
    if (poll === 0) poll = window.setInterval(renew, POLL_MS);
    // it does not begin again by itself: nobody is signed in any more, or too many pages listen
    if (events.readyState === EventSource.CLOSED) renew();
  });
  document.addEventListener('visibilitychange', () => {
    if (document.visibilityState === 'visible') renew();
  });
}

/** Asks for this page again and puts its list in the place of the one that is shown. */
function renew() {
  const request = new XMLHttpRequest();
  request.open('GET', window.location.href);
  request.setRequestHeader('X-Renewal', 'list');
  request.responseType = 'document';
  request.addEventListener('load', () => {
    const fresh = request.responseXML?.querySelector('[data-live="worklist"]');
    const shown = document.querySelector('[data-live="worklist"]');
    // whoever is signed out is led to where one signs in
    if (request.status === 401 || request.status === 403) window.location.reload();
    else if (request.status === 200 && fresh && shown) replace(shown, fresh);
    tellStale(request.status !== 200);
  });
  request.addEventListener('error', () => tellStale(true));
  request.send();
}

/**
 * A list that could not be renewed says so, so that nobody takes it for all that waits.
 * @param {boolean} isStale
 */
function tellStale(isStale) {
  for (const note of document.querySelectorAll('[data-stale]')) note.toggleAttribute('hidden', !isStale);
}

/**
 * @param {Element} shown
 * @param {Element} fresh
 */
function replace(shown, fresh) {
  const focused = document.activeElement;
  const href = focused instanceof HTMLAnchorElement && shown.contains(focused) ? focused.getAttribute('href') : null;
  const placed = document.importNode(fresh, true);
  shown.replaceWith(placed);
  // whoever goes by keyboard stays where they were
  for (const link of placed.querySelectorAll('a')) if (href !== null && link.getAttribute('href') === href) link.focus();
  const waiting = placed.getAttribute('data-waiting') ?? '0';
  for (const count of document.querySelectorAll('[data-waiting].count')) {
    count.textContent = waiting;
    count.toggleAttribute('hidden', waiting === '0');
  }
}

/** What the browser keeps for its back button is asked for anew: whoever goes back may be somebody else by now. */
function showNothingAgain() {
  window.addEventListener('pagehide', () => {
    document.documentElement.hidden = true;
  });
  window.addEventListener('pageshow', (event) => {
    if (event.persisted) window.location.reload();
  });
}

/** A page that nobody touches is left for the one where somebody signs in. */
function leaveWhenIdle() {
  const minutes = Number(document.body.dataset['idleMinutes']);
  if (!(minutes > 0)) return;
  let timer = 0;
  const touched = () => {
    window.clearTimeout(timer);
    timer = window.setTimeout(() => window.location.assign('/review/locked'), minutes * 60_000);
  };
  for (const name of ['pointerdown', 'keydown', 'scroll']) document.addEventListener(name, touched, { passive: true });
  touched();
}

/**
 * A file that is dropped on the field, or chosen beside it, becomes its text. It goes nowhere from here.
 * @param {HTMLTextAreaElement} field
 */
function takeFiles(field) {
  /** @param {FileList | null | undefined} files */
  const take = (files) => {
    const file = files?.[0];
    if (file) void file.text().then((text) => (field.value = text));
  };
  field.addEventListener('dragover', (event) => event.preventDefault());
  field.addEventListener('drop', (event) => {
    // text that is dropped goes where the browser puts it
    if (event.dataTransfer?.files.length === 0) return;
    event.preventDefault();
    take(event.dataTransfer?.files);
  });
  for (const part of document.querySelectorAll('[data-with-program]')) part.removeAttribute('hidden');
  for (const input of document.querySelectorAll(`input[data-into="${field.id}"]`))
    if (input instanceof HTMLInputElement) input.addEventListener('change', () => take(input.files));
}
