/* Once opened from a server, the page works without one, and may stand on a phone's home screen. */
(function (d) {
  "use strict";
  const EAR = "ear";
  const ROOM = "room"; // also the id of its block in a page that travels alone
  const FOLLOW = "follow"; // id of the script in a page of `drillgen play`, which without its command is nothing

  const stays = () => location.protocol.startsWith("http") && !d.byId(ROOM) && !d.byId(FOLLOW);

  /** Where a browser lets a page be kept (a secure context): keep what a drill needs. */
  d.keepOffline = async function (names) {
    if (!navigator.serviceWorker || !stays()) return;
    try {
      await navigator.serviceWorker.register("worker.js");
      const { active } = await navigator.serviceWorker.ready;
      const own = [...document.querySelectorAll("link[rel=stylesheet], script[src]")].map((each) => each.href || each.src);
      const data = [ROOM, EAR, ...names].map((name) => new URL(`page/${name}.js`, location.href).href);
      navigator.serviceWorker.onmessage = () => { document.documentElement.dataset.kept = "yes"; };
      active.postMessage([location.href.split("#")[0], new URL("page/capture.js", location.href).href, ...own, ...data]);
    } catch {
      return;
    }
  };

  /** The home screen's facts, where a browser may read them. */
  d.nameApp = function () {
    if (stays()) {
      document.head.append(d.el("link", { rel: "manifest", href: "page/app.webmanifest" }));
    }
    d.byId("plain").hidden = location.protocol !== "http:" || window.isSecureContext;
  };
})(window.drillgen);
