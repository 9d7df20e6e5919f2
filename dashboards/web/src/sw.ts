// The service worker keeps what a technician needs without network: outcome pages that were opened or
// linked before, and the files they load. Everything else goes to the network as if it were not there.
export {};

interface Awaits {
  waitUntil(p: Promise<unknown>): void;
}
interface Fetches extends Awaits {
  request: Request;
  respondWith(r: Promise<Response>): void;
}

const store = "outcome-pages-1";
const outcome = /^\/orders\/[^/]+\/outcome$/;

async function fresh(request: Request): Promise<Response> {
  const cache = await caches.open(store);
  try {
    const answer = await fetch(request);
    if (answer.ok && !answer.redirected) await cache.put(request.url, answer.clone());
    return answer;
  } catch (reason) {
    const kept = await cache.match(request.url);
    if (kept) return kept;
    throw reason;
  }
}

// Names of static files hold a digest of their content: what is kept never gets old.
async function first(request: Request): Promise<Response> {
  const cache = await caches.open(store);
  return (await cache.match(request.url)) ?? fresh(request);
}

addEventListener("install", (e) => (e as unknown as Awaits).waitUntil((self as unknown as { skipWaiting(): Promise<void> }).skipWaiting()));
addEventListener("activate", (e) => (e as unknown as Awaits).waitUntil((self as unknown as { clients: { claim(): Promise<void> } }).clients.claim()));
addEventListener("fetch", (event) => {
  const e = event as unknown as Fetches;
  const url = new URL(e.request.url);
  if (e.request.method !== "GET" || url.origin !== location.origin) return;
  if (outcome.test(url.pathname)) e.respondWith(fresh(e.request));
  else if (url.pathname.startsWith("/static/")) e.respondWith(first(e.request));
});
