"""What a person must read before hands go near the blade or the wiring. Own words; the machine's manual comes first."""

from __future__ import annotations

from api.tongues.say import later

MANUAL_FIRST = later(
    "The machine's own manual and your local rules come first. Every interval here is common practice without a "
    "source and can be edited."
)

AT_BLADE = (
    later("Isolate the saw and lock it off; try to start it to be sure."),
    later("Wait until the blade stands still. A blade that runs down is silent and still cuts."),
    later("Wear gloves for the blade, and only with the motor isolated."),
    later("Follow the machine's own manual and local rules (such as OSHA 29 CFR 1910.147 and .213, EN ISO 19085-4)."),
)

NO_SAFETY_DEVICE = later("Kerfbook informs and protects nobody. It is no safety device.")
