// Keeps the forms that were opened on this device, with what they need, so that
// they open where there is no reception. It asks the collector first, and takes
// what is kept only when no answer comes. Nothing else is kept.
'use strict'

const kept = 'after'

function mine(request) {
  const url = new URL(request.url)
  return request.method === 'GET' && url.origin === location.origin &&
    (/^\/visits\/\d+\/after$/.test(url.pathname) || url.pathname.startsWith('/static/'))
}

self.addEventListener('install', () => self.skipWaiting())
self.addEventListener('activate', event => event.waitUntil(self.clients.claim()))
self.addEventListener('fetch', event => {
  if (!mine(event.request)) return
  event.respondWith(fetch(event.request).catch(async lost => {
    const answer = await caches.match(event.request, {ignoreVary: true})
    if (answer) return answer
    throw lost
  }))
})
