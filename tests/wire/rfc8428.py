"""The examples of RFC 8428, word for word.

§5.1.1 to §5.1.7 as a stored transcript of the RFC has them, §6 from the working group's own example file
(repository core-wg/senml-spec, ex3.gen.cbor.hex). The RFC prints one resolved form, §5.1.4, which stands here
as printed; the other resolved forms follow from §4.6 by hand.
"""

SINGLE = b"""[
  {"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}
]"""  # §5.1.1

TWO_NOW = b"""[
  {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
  {"n":"current","u":"A","v":1.2}
]"""  # §5.1.2, first

SIX_SECONDS = b"""[
  {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
   "bu":"A","bver":5,
   "n":"voltage","u":"V","v":120.1},
  {"n":"current","t":-5,"v":1.2},
  {"n":"current","t":-4,"v":1.3},
  {"n":"current","t":-3,"v":1.4},
  {"n":"current","t":-2,"v":1.5},
  {"n":"current","t":-1,"v":1.6},
  {"n":"current","v":1.7}
]"""  # §5.1.2, second

MANY = b"""[
  {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,
   "bu":"%RH","v":20},
  {"u":"lon","v":24.30621},
  {"u":"lat","v":60.07965},
  {"t":60,"v":20.3},
  {"u":"lon","t":60,"v":24.30622},
  {"u":"lat","t":60,"v":60.07965},
  {"t":120,"v":20.7},
  {"u":"lon","t":120,"v":24.30623},
  {"u":"lat","t":120,"v":60.07966},
  {"u":"%EL","t":150,"v":98},
  {"t":180,"v":21.2},
  {"u":"lon","t":180,"v":24.30628},
  {"u":"lat","t":180,"v":60.07967}
]"""  # §5.1.3

MANY_RESOLVED = b"""[
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,
   "v":20},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,
   "v":24.30621},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,
   "v":60.07965},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,
   "v":20.3},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09,
   "v":24.30622},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09,
   "v":60.07965},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,
   "v":20.7},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067584e+09,
   "v":24.30623},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067584e+09,
   "v":60.07966},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,
   "v":98},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,
   "v":21.2},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067644e+09,
   "v":24.30628},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067644e+09,
   "v":60.07967}
]"""  # §5.1.4

DATA_TYPES = b"""[
  {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
  {"n":"label","vs":"Machine Room"},
  {"n":"open","vb":false},
  {"n":"nfc-reader","vd":"aGkgCg"}
]"""  # §5.1.5

COLLECTION = b"""[
  {"bn":"2001:db8::2/","bt":1.320078429e+09,
   "n":"temperature","u":"Cel","v":25.2},
  {"n":"humidity","u":"%RH","v":30},
  {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
  {"n":"humidity","u":"%RH","v":67}
]"""  # §5.1.6

ACTUATOR = b"""[
  {"bn":"urn:dev:ow:10e2073a01080063:"},
  {"n":"temp","u":"Cel","v":23.1},
  {"n":"heat","u":"/","v":1},
  {"n":"fan","u":"/","v":0}
]"""  # §5.1.7: a record of base fields only

SIX_SECONDS_CBOR = bytes.fromhex(
    """
    87 a7 21 78 1b 75 72 6e 3a 64 65 76 3a 6f 77 3a
    31 30 65 32 30 37 33 61 30 31 30 38 30 30 36 3a
    22 fb 41 d3 03 a1 5b 00 10 62 23 61 41 20 05 00
    67 76 6f 6c 74 61 67 65 01 61 56 02 fb 40 5e 06
    66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06
    24 02 fb 3f f3 33 33 33 33 33 33 a3 00 67 63 75
    72 72 65 6e 74 06 23 02 fb 3f f4 cc cc cc cc cc
    cd a3 00 67 63 75 72 72 65 6e 74 06 22 02 fb 3f
    f6 66 66 66 66 66 66 a3 00 67 63 75 72 72 65 6e
    74 06 21 02 f9 3e 00 a3 00 67 63 75 72 72 65 6e
    74 06 20 02 fb 3f f9 99 99 99 99 99 9a a3 00 67
    63 75 72 72 65 6e 74 06 00 02 fb 3f fb 33 33 33
    33 33 33
    """
)  # §6: the pack of §5.1.2, second, in CBOR
