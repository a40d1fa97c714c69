/* Keeps the page of a pack for when there is no network: what its content names is taken from the
   store, the rest asked for anew where that is possible. */
"use strict";
const STORE = "drillgen";
const BY_CONTENT = /\/page\/[a-z]+-[0-9a-f]{12}\.js$/;

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

/* The page says what it needs: addresses. */
self.addEventListener("message", (event) => event.waitUntil((async () => {
  const store = await caches.open(STORE);
  for (const address of event.data) {
    if (!BY_CONTENT.test(address) || !(await store.match(address))) await store.add(address).catch(() => {});
  }
  event.source.postMessage("kept");
})()));

self.addEventListener("fetch", (event) => {
  const { method, url } = event.request;
  const path = new URL(url).pathname;
  const ours = path.includes("/page/") || path.endsWith("/") || path.endsWith("/index.html");
  if (method === "GET" && ours) event.respondWith(answer(event.request, BY_CONTENT.test(path)));
});

async function answer(request, lasting) {
  const store = await caches.open(STORE);
  const kept = () => store.match(request);
  if (lasting) return (await kept()) || fetch(request);
  try {
    return await fetch(request);
  } catch (error) {
    const found = await kept();
    if (!found) throw error;
    return found;
  }
}
