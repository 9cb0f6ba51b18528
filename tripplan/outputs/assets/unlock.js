// Opens a locked page: derives the key, decrypts, writes the page in place of this one. The browser's own cipher
// does it where it may; where a file is denied that, the bundled stand-in does. Nothing leaves the phone.
(function () {
  "use strict";
  function text(id) { return document.getElementById(id).textContent; }
  var words = JSON.parse(text("sealed-words"));
  var headerText = text("sealed-header");
  var form = document.getElementById("sealed-form"), field = document.getElementById("sealed-passphrase");
  var show = document.getElementById("sealed-show"), told = document.getElementById("sealed-state");
  var knob = form.querySelector("button");
  var standIn = typeof tripplanCipher === "undefined" ? null : tripplanCipher;
  var own = window.crypto && window.crypto.subtle ? window.crypto.subtle : null;
  var parts = Array.prototype.map.call(document.querySelectorAll("[data-part]"), function (box) { return box.textContent; });
  var STORE = "tripplan-sealed/1:";

  function tell(line, wrong) {
    told.textContent = line;
    told.classList.toggle("is-wrong", Boolean(wrong));
  }
  function bytes(base64) {
    var raw = atob(base64), all = new Uint8Array(raw.length);
    for (var k = 0; k < raw.length; k += 1) { all[k] = raw.charCodeAt(k); }
    return all;
  }
  function base64(all) {
    var raw = "";
    for (var k = 0; k < all.length; k += 1) { raw += String.fromCharCode(all[k]); }
    return btoa(raw);
  }
  function utf8(line) { return new TextEncoder().encode(line); }
  // As tripplan does: accents put together, spaces trimmed, runs of white space one space.
  function plain(line) { return line.normalize("NFC").replace(/[\s\u0085\u001c-\u001f]+/g, " ").trim(); }

  async function derive(passphrase, salt, iterations) {
    if (own) {
      var from = await own.importKey("raw", utf8(passphrase), "PBKDF2", false, ["deriveBits"]);
      return new Uint8Array(await own.deriveBits({ name: "PBKDF2", hash: "SHA-256", salt: salt, iterations: iterations }, from, 256));
    }
    return standIn.pbkdf2Async(standIn.sha256, utf8(passphrase), salt, { c: iterations, dkLen: 32 });
  }
  // Resolves to the text, or to null where the tag does not fit.
  async function decrypt(key, iv, locked, associated) {
    try {
      if (own) {
        var imported = await own.importKey("raw", key, "AES-GCM", false, ["decrypt"]);
        return new Uint8Array(await own.decrypt({ name: "AES-GCM", iv: iv, additionalData: associated }, imported, locked));
      }
      return standIn.gcm(key, iv, associated).decrypt(locked);
    } catch (error) { return null; }
  }
  async function encrypt(key, iv, open) {
    if (own) {
      var imported = await own.importKey("raw", key, "AES-GCM", false, ["encrypt"]);
      return new Uint8Array(await own.encrypt({ name: "AES-GCM", iv: iv }, imported, open));
    }
    return standIn.gcm(key, iv).encrypt(open);
  }

  async function unpack(packed) {
    if (standIn) { return standIn.unzlibSync(packed); }
    var stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }

  // What is ticked in the opened page is kept encrypted: record.js calls this as it would call localStorage.
  async function makeKeeper(passphrase, key, header) {
    var store = null, held = Object.create(null), last = Promise.resolve();
    try {
      store = window.localStorage;
      store.setItem(STORE + "try", "1");
      store.removeItem(STORE + "try");
    } catch (error) {
      // Never in the clear instead: the page then says that nothing is kept.
      return { getItem: function () { throw error; }, setItem: function () { throw error; }, removeItem: function () { throw error; } };
    }
    for (var k = 0; k < store.length; k += 1) {
      var name = store.key(k);
      if (name.indexOf(STORE) !== 0) { continue; }
      try {
        var kept = JSON.parse(store.getItem(name));
        // A kit written again has another salt: what was ticked in the one before opens with the same passphrase.
        var its = kept.salt === header.salt && kept.iterations === header.iterations ? key : await derive(passphrase, bytes(kept.salt), kept.iterations);
        var open = await decrypt(its, bytes(kept.iv), bytes(kept.data), new Uint8Array(0));
        if (open) { held[name.slice(STORE.length)] = new TextDecoder().decode(open); }
      } catch (error) { /* another page's, or damaged: not ours to read */ }
    }
    return {
      getItem: function (name) { return name in held ? held[name] : null; },
      setItem: function (name, value) {
        held[name] = String(value);
        last = last.then(async function () {
          var iv = window.crypto.getRandomValues(new Uint8Array(12));
          var data = await encrypt(key, iv, utf8(held[name]));
          store.setItem(STORE + name, JSON.stringify({ salt: header.salt, iterations: header.iterations, iv: base64(iv), data: base64(data) }));
        }).catch(function () { /* full: the page still holds it, and says at leaving that it was not sent */ });
      },
      removeItem: function (name) {
        delete held[name];
        last = last.then(function () { store.removeItem(STORE + name); });
      }
    };
  }

  async function open() {
    var passphrase = plain(field.value);
    if (!passphrase) { tell(words.empty, true); return; }
    var header = JSON.parse(headerText);
    var key = await derive(passphrase, bytes(header.salt), header.iterations);
    if (!await decrypt(key, bytes(header.check_iv), bytes(header.check), new Uint8Array(0))) {
      tell(words.wrong, true);
      field.select();
      return;
    }
    var page = await decrypt(key, bytes(header.iv), bytes(text("sealed-data").trim()), utf8(headerText + "\n" + parts.join("")));
    if (!page) { tell(words.changed, true); return; }
    window.tripplanKeeper = await makeKeeper(passphrase, key, header);
    var html = new TextDecoder().decode(await unpack(page)).replace(/\u0001(\d+)\u0001/g, function (all, number) { return parts[Number(number)]; });
    field.value = "";
    document.open();
    document.write(html);
    document.close();
  }

  show.addEventListener("change", function () { field.type = show.checked ? "text" : "password"; });
  form.addEventListener("submit", function (event) {
    event.preventDefault();
    tell(own ? words.working : words.working_slow);
    knob.disabled = true;
    // A breath, so that the line above is seen before the work begins.
    setTimeout(function () {
      open().catch(function () { tell(words.changed, true); }).then(function () { knob.disabled = false; });
    }, 30);
  });
  if (!own && !standIn) { tell(words.no_cipher, true); return; }
  form.hidden = false;
  field.focus();
}());
