"""The examples of RFC 5545 section 3.8.5.3 (Recurrence Rule) with the dates that the RFC itself lists.

Each row: rule, DTSTART (all America/New_York, 09:00), the RFC's list as ``year month days``; a list that the RFC ends
with "..." is compared as far as it goes. The RFC's only example with an EXDATE (Friday the 13th) stands here without
its DTSTART instance, which the EXDATE removes.
"""

NEW_YORK = "America/New_York"

EXAMPLES = [
    ("FREQ=DAILY;COUNT=10", "19970902", "1997-09: 2-11"),
    ("FREQ=DAILY;UNTIL=19971224T000000Z", "19970902", "1997-09: 2-30; 10: 1-31; 11: 1-30; 12: 1-23"),
    (
        "FREQ=DAILY;INTERVAL=2",
        "19970902",
        "1997-09: 2,4,6,8,10,12,14,16,18,20,22,24,26,28,30; 10: 2,4,6,8,10,12,14,16,18,20,22,24,26,28,30; 11: 1,3,5,7",
    ),
    ("FREQ=DAILY;INTERVAL=10;COUNT=5", "19970902", "1997-09: 2,12,22; 10: 2,12"),
    (
        "FREQ=YEARLY;UNTIL=20000131T140000Z;BYMONTH=1;BYDAY=SU,MO,TU,WE,TH,FR,SA",
        "19980101",
        "1998-01: 1-31; 1999-01: 1-31; 2000-01: 1-31",
    ),
    ("FREQ=DAILY;UNTIL=20000131T140000Z;BYMONTH=1", "19980101", "1998-01: 1-31; 1999-01: 1-31; 2000-01: 1-31"),
    ("FREQ=WEEKLY;COUNT=10", "19970902", "1997-09: 2,9,16,23,30; 10: 7,14,21,28; 11: 4"),
    (
        "FREQ=WEEKLY;UNTIL=19971224T000000Z",
        "19970902",
        "1997-09: 2,9,16,23,30; 10: 7,14,21,28; 11: 4,11,18,25; 12: 2,9,16,23",
    ),
    (
        "FREQ=WEEKLY;INTERVAL=2;WKST=SU",
        "19970902",
        "1997-09: 2,16,30; 10: 14,28; 11: 11,25; 12: 9,23; 1998-01: 6,20; 02: 3,17...",
    ),
    ("FREQ=WEEKLY;UNTIL=19971007T000000Z;WKST=SU;BYDAY=TU,TH", "19970902", "1997-09: 2,4,9,11,16,18,23,25,30; 10: 2"),
    ("FREQ=WEEKLY;COUNT=10;WKST=SU;BYDAY=TU,TH", "19970902", "1997-09: 2,4,9,11,16,18,23,25,30; 10: 2"),
    (
        "FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR",
        "19970901",
        "1997-09: 1,3,5,15,17,19,29; 10: 1,3,13,15,17,27,29,31; 11: 10,12,14,24,26,28; 12: 8,10,12,22",
    ),
    ("FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH", "19970902", "1997-09: 2,4,16,18,30; 10: 2,14,16"),
    (
        "FREQ=MONTHLY;COUNT=10;BYDAY=1FR",
        "19970905",
        "1997-09: 5; 10: 3; 11: 7; 12: 5; 1998-01: 2; 02: 6; 03: 6; 04: 3; 05: 1; 06: 5",
    ),
    ("FREQ=MONTHLY;UNTIL=19971224T000000Z;BYDAY=1FR", "19970905", "1997-09: 5; 10: 3; 11: 7; 12: 5"),
    (
        "FREQ=MONTHLY;INTERVAL=2;COUNT=10;BYDAY=1SU,-1SU",
        "19970907",
        "1997-09: 7,28; 11: 2,30; 1998-01: 4,25; 03: 1,29; 05: 3,31",
    ),
    ("FREQ=MONTHLY;COUNT=6;BYDAY=-2MO", "19970922", "1997-09: 22; 10: 20; 11: 17; 12: 22; 1998-01: 19; 02: 16"),
    ("FREQ=MONTHLY;BYMONTHDAY=-3", "19970928", "1997-09: 28; 10: 29; 11: 28; 12: 29; 1998-01: 29; 02: 26..."),
    (
        "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=2,15",
        "19970902",
        "1997-09: 2,15; 10: 2,15; 11: 2,15; 12: 2,15; 1998-01: 2,15",
    ),
    (
        "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1",
        "19970930",
        "1997-09: 30; 10: 1,31; 11: 1,30; 12: 1,31; 1998-01: 1,31; 02: 1",
    ),
    (
        "FREQ=MONTHLY;INTERVAL=18;COUNT=10;BYMONTHDAY=10,11,12,13,14,15",
        "19970910",
        "1997-09: 10,11,12,13,14,15; 1999-03: 10,11,12,13",
    ),
    (
        "FREQ=MONTHLY;INTERVAL=2;BYDAY=TU",
        "19970902",
        "1997-09: 2,9,16,23,30; 11: 4,11,18,25; 1998-01: 6,13,20,27; 03: 3,10,17,24,31...",
    ),
    (
        "FREQ=YEARLY;COUNT=10;BYMONTH=6,7",
        "19970610",
        "1997-06: 10; 07: 10; 1998-06: 10; 07: 10; 1999-06: 10; 07: 10; 2000-06: 10; 07: 10; 2001-06: 10; 07: 10",
    ),
    (
        "FREQ=YEARLY;INTERVAL=2;COUNT=10;BYMONTH=1,2,3",
        "19970310",
        "1997-03: 10; 1999-01: 10; 02: 10; 03: 10; 2001-01: 10; 02: 10; 03: 10; 2003-01: 10; 02: 10; 03: 10",
    ),
    (
        "FREQ=YEARLY;INTERVAL=3;COUNT=10;BYYEARDAY=1,100,200",
        "19970101",
        "1997-01: 1; 04: 10; 07: 19; 2000-01: 1; 04: 9; 07: 18; 2003-01: 1; 04: 10; 07: 19; 2006-01: 1",
    ),
    ("FREQ=YEARLY;BYDAY=20MO", "19970519", "1997-05: 19; 1998-05: 18; 1999-05: 17..."),
    ("FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO", "19970512", "1997-05: 12; 1998-05: 11; 1999-05: 17..."),
    (
        "FREQ=YEARLY;BYMONTH=3;BYDAY=TH",
        "19970313",
        "1997-03: 13,20,27; 1998-03: 5,12,19,26; 1999-03: 4,11,18,25...",
    ),
    (
        "FREQ=YEARLY;BYDAY=TH;BYMONTH=6,7,8",
        "19970605",
        "1997-06: 5,12,19,26; 07: 3,10,17,24,31; 08: 7,14,21,28; 1998-06: 4,11,18,25; 07: 2,9,16,23,30; "
        "08: 6,13,20,27; 1999-06: 3,10,17,24; 07: 1,8,15,22,29; 08: 5,12,19,26...",
    ),
    (
        "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13",
        "19970902",
        "1998-02: 13; 03: 13; 11: 13; 1999-08: 13; 2000-10: 13...",
    ),
    (
        "FREQ=MONTHLY;BYDAY=SA;BYMONTHDAY=7,8,9,10,11,12,13",
        "19970913",
        "1997-09: 13; 10: 11; 11: 8; 12: 13; 1998-01: 10; 02: 7; 03: 7; 04: 11; 05: 9; 06: 13...",
    ),
    (
        "FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8",
        "19961105",
        "1996-11: 5; 2000-11: 7; 2004-11: 2...",
    ),
    ("FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3", "19970904", "1997-09: 4; 10: 7; 11: 6"),
    (
        "FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2",
        "19970929",
        "1997-09: 29; 10: 30; 11: 27; 12: 30; 1998-01: 29; 02: 26; 03: 30...",
    ),
    ("FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", "19970805", "1997-08: 5,10,19,24"),
    ("FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", "19970805", "1997-08: 5,17,19,31"),
    ("FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5", "20070115", "2007-01: 15,30; 02: 15; 03: 15,30"),
]

# The examples that repeat within a day: times of the first day(s). The RFC's "every 3 hours from 9:00 AM to 5:00 PM"
# lists 15:00 although its own UNTIL, 17:00 UTC, is 13:00 in New York: rule and list contradict each other. It stands
# here with the UNTIL that its heading describes (21:00 UTC).
WITHIN_A_DAY = [
    ("FREQ=HOURLY;INTERVAL=3;UNTIL=19970902T210000Z", "09:00 12:00 15:00"),
    ("FREQ=MINUTELY;INTERVAL=15;COUNT=6", "09:00 09:15 09:30 09:45 10:00 10:15"),
    ("FREQ=MINUTELY;INTERVAL=90;COUNT=4", "09:00 10:30 12:00 13:30"),
    (
        "FREQ=DAILY;BYHOUR=9,10,11,12,13,14,15,16;BYMINUTE=0,20,40",
        " ".join(f"{h:02d}:{m:02d}" for h in range(9, 17) for m in (0, 20, 40)),
    ),
    (
        "FREQ=MINUTELY;INTERVAL=20;BYHOUR=9,10,11,12,13,14,15,16",
        " ".join(f"{h:02d}:{m:02d}" for h in range(9, 17) for m in (0, 20, 40)),
    ),
]


def listed(text: str) -> list[str]:
    """The RFC's list as ISO dates."""
    found, year = [], ""
    for part in text.rstrip(".").split("; "):
        month, days = part.split(": ")
        if "-" in month:
            year, month = month.split("-")
        for piece in days.split(","):
            first, _, last = piece.partition("-")
            found += [f"{year}-{month}-{day:02d}" for day in range(int(first), int(last or first) + 1)]
    return found
