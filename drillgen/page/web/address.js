/* What is chosen, as the page's address (a link for others) and as what this browser keeps. */
(function (d) {
  "use strict";
  const NAME = `drillgen ${location.pathname} ${document.title}`; // one address may serve one pack after another

  d.address = { read, write };

  /** What the address asks for, else what was kept: texts by name; both may be anything. */
  function read() {
    const asked = location.hash.includes("=") ? location.hash.slice(1) : kept();
    return new Map(new URLSearchParams(asked));
  }

  /** Where a browser keeps nothing (a private window, a file), the address alone has it. */
  function write(fields) {
    const text = new URLSearchParams(Object.entries(fields).filter(([, value]) => value !== "")).toString();
    try {
      history.replaceState(null, "", `#${text}`);
      localStorage.setItem(NAME, text);
    } catch {
      return;
    }
  }

  function kept() {
    try {
      return localStorage.getItem(NAME) || "";
    } catch {
      return "";
    }
  }

  /* The QR code of the link, drawn by `drillgen serve --lan`: a page that a phone can reach came by plain
     HTTP from another address than this machine's own. */
  d.code = { offer, renew };

  const picture = d.el("img", { alt: "QR code of the link to what is chosen", on: { error: missing } });

  function offer() {
    d.byId("qr").hidden = location.protocol !== "http:" || window.isSecureContext;
    d.byId("qr").addEventListener("click", () => open(d.byId("code").hidden));
  }

  function open(on) {
    d.byId("code").hidden = !on;
    d.byId("qr").setAttribute("aria-expanded", String(on));
    d.setText("qr", on ? "Hide the QR code" : "Show it as a QR code");
    renew();
  }

  function missing() {
    open(false);
    d.setText("linked", "The server of this page makes no QR codes.");
  }

  /** Where it is shown, it is that of what is chosen now. */
  function renew() {
    if (d.byId("code").hidden) return;
    const address = `/qr?to=${encodeURIComponent(location.pathname + location.hash)}`;
    if (picture.getAttribute("src") !== address) picture.src = address;
    d.byId("code").replaceChildren(picture);
  }

  /** Parts as text, "bass:off,drums:-6", and back; what is no part is passed over. */
  d.partsText = (levels) => [...levels].filter(([, set]) => !set.on || set.decibels)
    .map(([name, set]) => `${name}:${set.on ? set.decibels : "off"}`).join();

  d.partsFrom = function (text) {
    const found = new Map();
    for (const each of (text || "").split(",")) {
      const [name, value] = each.split(":");
      const off = value === "off";
      if (name && (off || Number.isFinite(Number(value)))) found.set(name, { on: !off, decibels: off ? 0 : d.clamp(Math.round(Number(value)), -24, 6) });
    }
    return found;
  };
})(window.drillgen);
