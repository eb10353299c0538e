// A contact against its reference cut: the same stretch of both, at matched level, one key apart.

import {Player, heldBytes} from "./player.js";
import {clockText} from "./words.js";

export function wireReference(page) {
  const {run, player, $} = page;
  if (!run.reference) return;
  const other = new Player(run.reference.duration_s);
  page.other = other;
  other.give(heldBytes("reference"), run.reference.sound_type);
  const button = $("compare");
  button.hidden = false;
  let onReference = false;

  const place = () => run.reference.contacts.find((one) => one.id === page.picked?.id) ?? null;

  const stopReference = () => {
    other.pause();
    onReference = false;
    button.setAttribute("aria-pressed", "false");
  };

  button.onclick = () => {
    const here = place();
    if (onReference) {
      stopReference();
      if (page.picked) page.play(page.picked);
      return;
    }
    if (!here) {
      page.say("No reference cut of this contact: pick a contact in the table that has one.");
      return;
    }
    player.pause();
    // The louder of the two is turned down, so that level does not decide which sounds better.
    other.setVolume(10 ** (Math.min(0, here.gain_db) / 20));
    player.setVolume(10 ** (Math.min(0, -here.gain_db) / 20));
    other.setSpeed(player.speed);
    other.play(here.from_s, here.to_s);
    onReference = true;
    button.setAttribute("aria-pressed", "true");
    const said = run.reference.said ? ` (by ${run.reference.said})` : "";
    page.say(`Reference cut of ${page.picked.label} from ${run.reference.name}${said}, level matched by ${here.gain_db.toFixed(1)} dB, ${clockText(here.to_s - here.from_s, 1)} long.`);
  };
  other.addEventListener("state", () => { if (!other.running && onReference) stopReference(); });
}
