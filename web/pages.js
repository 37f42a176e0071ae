// What the pages do in the browser; each part looks after one thing.
import "htmx.org";
import { Idiomorph } from "idiomorph/htmx";
import { startActions } from "./actions.js";
import { startClock } from "./clock.js";
import { isOwn, startEntries } from "./entries.js";
import { startExploring } from "./explore.js";
import { startFiles } from "./files.js";
import { startFocus } from "./focus.js";
import { startLive } from "./live.js";
import { showOwnStep, startRenewing } from "./renew.js";
import { startDevices, startDoor, startLook } from "./settings.js";

// A page that is renewed keeps what a person is at: what is being typed, what is folded open, a
// question that waits for an answer, and what is wrong with what was typed.
Object.assign(Idiomorph.defaults.callbacks, {
  beforeAttributeUpdated: (name, node) => !(name === "open" && node.tagName === "DETAILS"),
  beforeNodeMorphed: (old) =>
    !(isOwn(old) || old.dataset?.chosen || old.querySelector?.(":scope > .conflict") || old.id?.startsWith("fault-")),
  beforeNodeRemoved: (node) => !node.dataset?.keep,
});

startLook();
startRenewing();
startLive();
startActions();
startEntries();
startExploring();
startFiles();
startFocus();
startDevices();
startDoor();
startClock();
showOwnStep();
