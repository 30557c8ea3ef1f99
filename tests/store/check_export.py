# SPDX-License-Identifier: Apache-2.0
# Recomputes with Python's sqlite3, json and hashlib, from the rules in docs/store.md alone, what
# the store has written: canonical rows, chain, results digest; from the store and from an export.
#   check_export.py STORE RUN EXPORT
import hashlib
import json
import sqlite3
import sys

TABLES = ["run", "run_adapter", "run_channel", "run_caution", "run_file", "personal", "case_",
          "take", "stream", "measurement", "performance", "second_", "error_mark", "event",
          "take_mark", "check_", "recording", "recording_channel"]
NO_RESULT = {
    "run": ["campaign_source", "bench_source", "reference_run", "software_version",
            "library_sha256", "started_utc", "ended_utc", "message"],
    "run_adapter": ["version", "abi", "description", "capabilities"],
    "personal": ["sha256"], "case_": ["message"],
    "recording": ["ordinal", "path", "file_sha256", "bytes", "note"],
    "recording_channel": ["recording_no"],
}
TIMES = {"case_": ["started_ns", "ended_ns"], "take": ["start_ns"], "stream": ["start_skew_ns"],
         "event": ["at_ns"], "take_mark": ["at_ns"], "check_": ["at_ns"]}


def sha(text):
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def canonical(values):
    # For strings, json.dumps without ASCII escapes writes what RFC 8785, 3.2.2.2 asks for.
    return json.dumps(values, ensure_ascii=False, separators=(",", ":"))


def fail(words):
    print("check_export:", words)
    sys.exit(1)


store, run, export = sys.argv[1], int(sys.argv[2]), sys.argv[3]
db = sqlite3.connect(store)
db.row_factory = sqlite3.Row
rows = {}
results = []
virtual = db.execute("SELECT clock FROM run WHERE run=?", (run,)).fetchone()[0] == "virtual"
for table in TABLES:
    keys = [c[1] for c in sorted(db.execute(f"PRAGMA table_info({table})"), key=lambda c: c[5])
            if c[5] > 0]
    for row in db.execute(f"SELECT * FROM {table} WHERE run=?", (run,)):
        flat, reduced = [table], [table]
        for name in row.keys():
            value = None if row[name] is None else str(row[name])
            flat += [name, value]
            left_out = name == "run" or name in NO_RESULT.get(table, []) or (
                not virtual and name in TIMES.get(table, []))
            if not left_out:
                reduced += [name, value]
        key = "/".join(str(row[k]) for k in keys if k != "run" or table == "run")
        rows[table, key] = canonical(flat)
        results.append(sha(canonical(reduced)) + "\n")
results = sha("".join(sorted(results)))

link = "0" * 64
count = 0
for entry in db.execute("SELECT * FROM chain WHERE run=? ORDER BY seq", (run,)):
    text = rows.get((entry["table_name"], entry["row_key"]))
    if text is None or sha(text) != entry["row_sha256"]:
        fail(f"row digest of {entry['table_name']} {entry['row_key']}: {text}")
    link = sha(link + entry["row_sha256"])
    if link != entry["link_sha256"]:
        fail(f"link {entry['seq']}")
    count += 1
if count != len(rows):
    fail(f"{len(rows)} rows, {count} links")

with open(export, encoding="utf-8") as f:
    raw = f.read()
data = json.loads(raw)
if json.dumps(data, ensure_ascii=False, separators=(",", ":"), sort_keys=True) != raw:
    fail("the export is not compact with sorted keys")
previous = "0" * 64
for entry in data["rows"]:
    if rows[entry["table"], entry["key"]] != entry["text"]:
        fail(f"text of {entry['table']} {entry['key']}")
    if sha(entry["text"]) != entry["row"] or sha(previous + entry["row"]) != entry["link"]:
        fail(f"digests of {entry['table']} {entry['key']}")
    previous = entry["link"]
if not previous == data["head"] == link or data["links"] != count or data["open"] != []:
    fail("head, links or open rows")
if data["results"] != results:
    fail(f"results digest {data['results']} is not {results}")
print(f"{count} links, head {link[:16]}, results {results[:16]}")
