# SPDX-License-Identifier: Apache-2.0
"""Windows of the night against Python's zoneinfo, which reads the time zone database with a
reader of its own: the days around every change of several zones, and many others.

    python3 test_window.py WINDOW_DUMP
"""
import datetime
import random
import subprocess
import sys
import zoneinfo

UTC = datetime.timezone.utc
# Changes by an hour, by half an hour (Lord Howe), a day left out (Apia, 2011-12-30), none.
ZONES = ['Europe/London', 'America/New_York', 'Australia/Lord_Howe', 'Asia/Kolkata',
         'America/St_Johns', 'Africa/Casablanca', 'UTC', 'Europe/Dublin']


def instants(zone, day, minute):
    """All instants at which a clock in the zone shows that time; none when it is skipped."""
    local = datetime.datetime(day.year, day.month, day.day, minute // 60, minute % 60)
    found = set()
    for fold in (0, 1):
        t = local.replace(tzinfo=zone, fold=fold).astimezone(UTC)
        if t.astimezone(zone).replace(tzinfo=None) == local:
            found.add(int(t.timestamp()))
    return sorted(found)


def skip(zone, day, minute):
    """The first instant at which a clock in the zone shows more than a time that is skipped."""
    local = datetime.datetime(day.year, day.month, day.day, minute // 60, minute % 60)
    low = int(local.replace(tzinfo=UTC).timestamp()) - 86400
    for t in range(low, low + 2 * 86400, 60):
        shown = datetime.datetime.fromtimestamp(t, zone).replace(tzinfo=None)
        if shown > local:
            return t
    raise AssertionError


def window(zone, start, end, now):
    today = datetime.datetime.fromtimestamp(now, zone).date()
    for d in range(-2, 3):
        day = today + datetime.timedelta(days=d)
        last = day if end > start else day + datetime.timedelta(days=1)
        a = (instants(zone, day, start) or [skip(zone, day, start)])[0]
        b = (instants(zone, last, end) or [skip(zone, last, end)])[-1]
        if b > now:
            return a, b
    raise AssertionError


def changes(zone, year):
    """Days on which the offset from UTC changes."""
    t = datetime.datetime(year, 1, 1, tzinfo=UTC)
    found = []
    for _ in range(366):
        a, b = t.astimezone(zone).utcoffset(), (t + datetime.timedelta(1)).astimezone(zone)
        if a != b.utcoffset():
            found.append(t)
        t += datetime.timedelta(1)
    return found


def main():
    rng = random.Random(5)
    asked = []
    for name in ZONES:
        zone = zoneinfo.ZoneInfo(name)
        days = [datetime.datetime(2026, 1, 1, tzinfo=UTC) + datetime.timedelta(rng.randrange(700))
                for _ in range(12)]
        for year in (2025, 2026, 2027):
            days += changes(zone, year)
        for day in days:
            for start, end in ((22 * 60, 6 * 60), (90, 5 * 60), (23 * 60, 90), (60, 120),
                               (105, 115), (0, 1439)):
                now = int(day.timestamp()) + rng.randrange(-86400, 86400)
                asked.append((name, start, end, now))
    out = subprocess.run([sys.argv[1]], input=''.join('%s %d %d %d\n' % a for a in asked),
                         capture_output=True, text=True, check=True).stdout.splitlines()
    wrong = []
    for (name, start, end, now), line in zip(asked, out):
        wanted = '%d %d' % window(zoneinfo.ZoneInfo(name), start, end, now)
        if line != wanted:
            wrong.append('%s %d %d %d: %s, wanted %s' % (name, start, end, now, line, wanted))
    unknown = subprocess.run([sys.argv[1]], input='Europe/Nowhere 1 2 3\n', capture_output=True,
                             text=True, check=True).stdout
    # The night of the change in London, 2026: an hour longer in October, shorter in March.
    length = {}
    for day in ('2026-03-28', '2026-10-24', '2026-07-01'):
        now = int(datetime.datetime.fromisoformat(day + 'T12:00+00:00').timestamp())
        a, b = subprocess.run([sys.argv[1]], input='Europe/London 1320 360 %d\n' % now,
                              capture_output=True, text=True, check=True).stdout.split()
        length[day] = (int(b) - int(a)) / 3600
    print('1..3')
    for line in wrong[:20]:
        print('# ' + line)
    good = not wrong and len(out) == len(asked) and len(asked) > 700
    print('%s 1 - %d windows as zoneinfo has them' % ('ok' if good else 'not ok', len(asked)))
    print('%s 2 - an unknown zone' % ('ok' if unknown.startswith('error ') and 'Nowhere' in unknown
                                      else 'not ok'))
    print('%s 3 - lengths %s' % ('ok' if length == {
        '2026-03-28': 7, '2026-10-24': 9, '2026-07-01': 8} else 'not ok', length))
    return 0


sys.exit(main())
