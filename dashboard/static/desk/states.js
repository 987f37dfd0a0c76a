// What a saw is doing, in a person's words; the wall has the standard's own (WORKING, READY …).
import { _ } from "./speech.js";

const NOW = { WORKING: _("cutting"), READY: _("motor runs"), STANDBY: _("motor off"), ERROR: _("signals contradict"), OFFLINE: _("no data") };

export const doing = (state, mode) => (state !== "OFFLINE" && mode === "SETUP" ? _("blade door open") : NOW[state]);
