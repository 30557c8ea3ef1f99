/* SPDX-License-Identifier: Apache-2.0 */
/* The tables: as SQL for SQLite, and as descriptions that writing, reading and hashing share. */
#include "core/store/internal.h"

#include <string.h>

#define VERDICTS "('none','pass','inconclusive','fail','error')"
#define STATES   "('running','finished','interrupted')"

/* Columns are in the order of the descriptions below (a test compares them). */
const char *const store_schema_sql[] = {
	"CREATE TABLE store_info(name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT "
	"ROWID;",
	"CREATE TABLE run("
	" run INTEGER PRIMARY KEY,"
	" campaign_name TEXT NOT NULL, campaign_title TEXT, campaign_version TEXT,"
	" campaign_source TEXT, campaign_sha256 TEXT,"
	" bench_name TEXT NOT NULL, bench_title TEXT, bench_source TEXT, bench_sha256 TEXT,"
	" notice TEXT, unit_json TEXT, lab_json TEXT, customer_json TEXT, numbering TEXT,"
	" build TEXT NOT NULL, seed TEXT NOT NULL, reference_run INTEGER REFERENCES run(run),"
	" clock TEXT NOT NULL CHECK(clock IN ('virtual','real')),"
	" simulated INTEGER NOT NULL CHECK(simulated IN (0,1)),"
	" software_version TEXT, library_sha256 TEXT, started_utc TEXT NOT NULL, ended_utc TEXT,"
	" state TEXT NOT NULL CHECK(state IN " STATES "),"
	" verdict TEXT NOT NULL CHECK(verdict IN " VERDICTS "), message TEXT) STRICT;",
	"CREATE INDEX run_by_campaign ON run(campaign_name, verdict, state, run);",
	/* A history asks for runs without reading past their sources. */
	"CREATE INDEX run_by_bench ON run(campaign_name, bench_name, state, build, run);",
	"CREATE TABLE run_adapter("
	" run INTEGER NOT NULL REFERENCES run(run), ordinal INTEGER NOT NULL,"
	" instance TEXT NOT NULL, driver TEXT NOT NULL, version TEXT, abi TEXT, description TEXT,"
	" capabilities TEXT, PRIMARY KEY(run, ordinal)) STRICT, WITHOUT ROWID;",
	"CREATE TABLE run_file("
	" run INTEGER NOT NULL REFERENCES run(run), ordinal INTEGER NOT NULL,"
	" name TEXT NOT NULL, purpose TEXT NOT NULL, bytes INTEGER NOT NULL, sha256 TEXT NOT NULL,"
	" PRIMARY KEY(run, ordinal)) STRICT, WITHOUT ROWID;",
	"CREATE TABLE run_channel("
	" run INTEGER NOT NULL REFERENCES run(run), ordinal INTEGER NOT NULL,"
	" role TEXT NOT NULL, number INTEGER NOT NULL, klm TEXT, label TEXT,"
	" adapter TEXT NOT NULL, channel TEXT NOT NULL, rate TEXT NOT NULL,"
	" PRIMARY KEY(run, ordinal), UNIQUE(run, role, number)) STRICT, WITHOUT ROWID;",
	"CREATE TABLE run_caution("
	" run INTEGER NOT NULL REFERENCES run(run), ordinal INTEGER NOT NULL, text TEXT NOT NULL,"
	" PRIMARY KEY(run, ordinal)) STRICT, WITHOUT ROWID;",
	"CREATE TABLE personal("
	" run INTEGER NOT NULL REFERENCES run(run), ordinal INTEGER NOT NULL, sha256 TEXT NOT NULL,"
	" PRIMARY KEY(run, ordinal)) STRICT, WITHOUT ROWID;",
	"CREATE TABLE personal_clear("
	" run INTEGER NOT NULL, ordinal INTEGER NOT NULL, salt TEXT NOT NULL, text TEXT NOT NULL,"
	" PRIMARY KEY(run, ordinal), UNIQUE(run, text),"
	" FOREIGN KEY(run, ordinal) REFERENCES personal(run, ordinal)) STRICT, WITHOUT ROWID;",
	"CREATE TABLE case_("
	" run INTEGER NOT NULL REFERENCES run(run), ordinal INTEGER NOT NULL,"
	" name TEXT NOT NULL, title TEXT, purpose TEXT, method TEXT,"
	" state TEXT NOT NULL CHECK(state IN " STATES "),"
	" verdict TEXT NOT NULL CHECK(verdict IN " VERDICTS "), message TEXT,"
	" started_ns INTEGER NOT NULL, ended_ns INTEGER,"
	" PRIMARY KEY(run, ordinal)) STRICT, WITHOUT ROWID;",
	"CREATE TABLE take("
	" run INTEGER NOT NULL, case_no INTEGER NOT NULL, ordinal INTEGER NOT NULL, name TEXT,"
	" state TEXT NOT NULL CHECK(state IN " STATES "), start_ns INTEGER NOT NULL,"
	" frames INTEGER NOT NULL CHECK(frames >= 0),"
	" planned_frames INTEGER NOT NULL CHECK(planned_frames >= 0),"
	" lead_in_frames INTEGER NOT NULL,"
	" clock TEXT NOT NULL CHECK(clock IN ('virtual','real')),"
	" PRIMARY KEY(run, case_no, ordinal),"
	" FOREIGN KEY(run, case_no) REFERENCES case_(run, ordinal)) STRICT, WITHOUT ROWID;",
	"CREATE TABLE stream("
	" run INTEGER NOT NULL, case_no INTEGER NOT NULL, take_no INTEGER NOT NULL,"
	" channel_no INTEGER NOT NULL,"
	" direction TEXT NOT NULL CHECK(direction IN ('sent','received')), description TEXT,"
	" start_skew_ns INTEGER NOT NULL, bits INTEGER NOT NULL CHECK(bits >= 0), digest TEXT,"
	" source_digest TEXT,"
	" PRIMARY KEY(run, case_no, take_no, channel_no, direction),"
	" FOREIGN KEY(run, case_no, take_no) REFERENCES take(run, case_no, ordinal),"
	" FOREIGN KEY(run, channel_no) REFERENCES run_channel(run, ordinal)) STRICT, WITHOUT "
	"ROWID;",
	"CREATE TABLE measurement("
	" run INTEGER NOT NULL, case_no INTEGER NOT NULL, take_no INTEGER NOT NULL,"
	" channel_no INTEGER NOT NULL, kind TEXT NOT NULL, pattern TEXT,"
	" in_sync INTEGER NOT NULL CHECK(in_sync IN (0,1)),"
	" inverted INTEGER NOT NULL CHECK(inverted IN (0,1)),"
	" bits INTEGER NOT NULL CHECK(bits >= 0), errors INTEGER NOT NULL CHECK(errors >= 0),"
	" seconds INTEGER NOT NULL, errored_seconds INTEGER NOT NULL,"
	" severely_errored_seconds INTEGER NOT NULL, unavailable_seconds INTEGER NOT NULL,"
	" background_block_errors INTEGER, sync_losses INTEGER NOT NULL, slips INTEGER NOT NULL,"
	" sync_bit INTEGER, first_error_bit INTEGER, found_channel_no INTEGER, delay_bits INTEGER,"
	" octet_slips INTEGER NOT NULL, moved_bits INTEGER NOT NULL,"
	" moved_least_bits INTEGER NOT NULL, moved_most_bits INTEGER NOT NULL,"
	" blocks INTEGER, errored_blocks INTEGER, recognised TEXT,"
	" PRIMARY KEY(run, case_no, take_no, channel_no, kind),"
	" FOREIGN KEY(run, case_no, take_no) REFERENCES take(run, case_no, ordinal),"
	" FOREIGN KEY(run, channel_no) REFERENCES run_channel(run, ordinal),"
	" FOREIGN KEY(run, found_channel_no) REFERENCES run_channel(run, ordinal))"
	" STRICT, WITHOUT ROWID;",
	"CREATE TABLE performance("
	" run INTEGER NOT NULL, case_no INTEGER NOT NULL, take_no INTEGER NOT NULL,"
	" channel_no INTEGER NOT NULL, ordinal INTEGER NOT NULL, bin_seconds INTEGER NOT NULL,"
	" bin INTEGER NOT NULL, place TEXT NOT NULL, code TEXT NOT NULL,"
	" end_ TEXT NOT NULL CHECK(end_ IN ('near','far')), path TEXT NOT NULL,"
	" available_seconds INTEGER NOT NULL, unavailable_seconds INTEGER NOT NULL,"
	" errored_seconds INTEGER NOT NULL, severely_errored_seconds INTEGER NOT NULL,"
	" background_block_errors INTEGER NOT NULL, errored_blocks INTEGER NOT NULL,"
	" blocks INTEGER NOT NULL, unread_seconds INTEGER NOT NULL,"
	" PRIMARY KEY(run, case_no, take_no, channel_no, ordinal, bin_seconds, bin),"
	" FOREIGN KEY(run, case_no, take_no) REFERENCES take(run, case_no, ordinal),"
	" FOREIGN KEY(run, channel_no) REFERENCES run_channel(run, ordinal)) STRICT, WITHOUT "
	"ROWID;",
	"CREATE TABLE second_("
	" run INTEGER NOT NULL, case_no INTEGER NOT NULL, take_no INTEGER NOT NULL,"
	" channel_no INTEGER NOT NULL, second INTEGER NOT NULL,"
	" bits INTEGER NOT NULL CHECK(bits >= 0), errors INTEGER NOT NULL CHECK(errors >= 0),"
	" in_sync INTEGER NOT NULL CHECK(in_sync IN (0,1)), sync_losses INTEGER NOT NULL,"
	" slips INTEGER NOT NULL, PRIMARY KEY(run, case_no, take_no, channel_no, second),"
	" FOREIGN KEY(run, case_no, take_no) REFERENCES take(run, case_no, ordinal),"
	" FOREIGN KEY(run, channel_no) REFERENCES run_channel(run, ordinal)) STRICT, WITHOUT "
	"ROWID;",
	"CREATE TABLE error_mark("
	" run INTEGER NOT NULL, case_no INTEGER NOT NULL, take_no INTEGER NOT NULL,"
	" channel_no INTEGER NOT NULL, bit_offset INTEGER NOT NULL,"
	" PRIMARY KEY(run, case_no, take_no, channel_no, bit_offset),"
	" FOREIGN KEY(run, case_no, take_no) REFERENCES take(run, case_no, ordinal),"
	" FOREIGN KEY(run, channel_no) REFERENCES run_channel(run, ordinal)) STRICT, WITHOUT "
	"ROWID;",
	"CREATE TABLE event("
	" run INTEGER NOT NULL, case_no INTEGER NOT NULL, ordinal INTEGER NOT NULL,"
	" take_no INTEGER, channel_no INTEGER NOT NULL, at_ns INTEGER NOT NULL,"
	" alarm TEXT NOT NULL, raised INTEGER NOT NULL CHECK(raised IN (0,1)), place TEXT,"
	" source TEXT NOT NULL CHECK(source IN ('unit','tester')),"
	" consequence_of TEXT, cause_channel_no INTEGER,"
	" PRIMARY KEY(run, case_no, ordinal),"
	" FOREIGN KEY(run, cause_channel_no) REFERENCES run_channel(run, ordinal),"
	" FOREIGN KEY(run, case_no) REFERENCES case_(run, ordinal),"
	" FOREIGN KEY(run, case_no, take_no) REFERENCES take(run, case_no, ordinal),"
	" FOREIGN KEY(run, channel_no) REFERENCES run_channel(run, ordinal)) STRICT, WITHOUT "
	"ROWID;",
	"CREATE TABLE check_("
	" run INTEGER NOT NULL, case_no INTEGER NOT NULL, ordinal INTEGER NOT NULL,"
	" title TEXT NOT NULL, kind TEXT, channel_no INTEGER, subject TEXT, value TEXT, unit TEXT,"
	" limit_ TEXT, relation TEXT, confidence TEXT, lower TEXT, upper TEXT, errors INTEGER,"
	" bits INTEGER, verdict TEXT NOT NULL CHECK(verdict IN " VERDICTS "), rule TEXT,"
	" reason TEXT, standard TEXT, at_ns INTEGER, PRIMARY KEY(run, case_no, ordinal),"
	" FOREIGN KEY(run, case_no) REFERENCES case_(run, ordinal),"
	" FOREIGN KEY(run, channel_no) REFERENCES run_channel(run, ordinal)) STRICT, WITHOUT "
	"ROWID;",
	"CREATE TABLE take_mark("
	" run INTEGER NOT NULL, case_no INTEGER NOT NULL, ordinal INTEGER NOT NULL,"
	" take_no INTEGER NOT NULL, at_ns INTEGER NOT NULL, channel_no INTEGER,"
	" trigger_ INTEGER NOT NULL CHECK(trigger_ IN (0,1)), text TEXT NOT NULL, recording TEXT,"
	" PRIMARY KEY(run, case_no, ordinal),"
	" FOREIGN KEY(run, case_no, take_no) REFERENCES take(run, case_no, ordinal),"
	" FOREIGN KEY(run, channel_no) REFERENCES run_channel(run, ordinal))"
	" STRICT, WITHOUT ROWID;",
	"CREATE TABLE recording("
	" run INTEGER NOT NULL, ordinal INTEGER NOT NULL, case_no INTEGER NOT NULL,"
	" take_no INTEGER NOT NULL, name TEXT NOT NULL, path TEXT NOT NULL, file_sha256 TEXT,"
	" bytes INTEGER NOT NULL, finished INTEGER NOT NULL CHECK(finished IN (0,1)),"
	" from_frame INTEGER NOT NULL, frames INTEGER NOT NULL, note TEXT,"
	" PRIMARY KEY(run, ordinal),"
	" FOREIGN KEY(run, case_no, take_no) REFERENCES take(run, case_no, ordinal))"
	" STRICT, WITHOUT ROWID;",
	"CREATE INDEX recording_by_name ON recording(name, run);",
	"CREATE TABLE recording_channel("
	" run INTEGER NOT NULL, recording_no INTEGER NOT NULL, ordinal INTEGER NOT NULL,"
	" name TEXT NOT NULL, direction TEXT, rate TEXT NOT NULL, bits INTEGER NOT NULL,"
	" digest TEXT, PRIMARY KEY(run, recording_no, ordinal),"
	" FOREIGN KEY(run, recording_no) REFERENCES recording(run, ordinal)) STRICT, WITHOUT "
	"ROWID;",
	"CREATE TABLE check_tally("
	" run INTEGER NOT NULL, case_no INTEGER NOT NULL, ordinal INTEGER NOT NULL,"
	" title TEXT NOT NULL, errors INTEGER NOT NULL CHECK(errors >= 0),"
	" bits INTEGER NOT NULL CHECK(bits >= 0), passed BLOB NOT NULL, failed BLOB NOT NULL,"
	" PRIMARY KEY(run, case_no, ordinal),"
	" FOREIGN KEY(run, case_no) REFERENCES case_(run, ordinal)) STRICT, WITHOUT ROWID;",
	"CREATE TABLE chain("
	" run INTEGER NOT NULL REFERENCES run(run), seq INTEGER NOT NULL,"
	" table_name TEXT NOT NULL, row_key TEXT NOT NULL, row_sha256 TEXT NOT NULL,"
	" link_sha256 TEXT NOT NULL, PRIMARY KEY(run, seq), UNIQUE(run, table_name, row_key))"
	" STRICT, WITHOUT ROWID;",
	NULL};

#define C(type, s, field, flags)                                                                   \
	{                                                                                          \
#field, type, (flags), offsetof(struct s, field)                                   \
	}
#define CN(type, s, field, column, flags)                                                          \
	{                                                                                          \
		column, type, (flags), offsetof(struct s, field)                                   \
	}
#define OPT COL_OPTIONAL

static const struct column run_columns[] = {
	C(COL_I64, evl_row_run, run, COL_KEY | COL_LOCAL),
	C(COL_TEXT, evl_row_run, campaign_name, 0),
	C(COL_TEXT, evl_row_run, campaign_title, OPT),
	C(COL_TEXT, evl_row_run, campaign_version, OPT),
	C(COL_TEXT, evl_row_run, campaign_source, OPT | COL_LOCAL | COL_EXACT),
	C(COL_TEXT, evl_row_run, campaign_sha256, OPT),
	C(COL_TEXT, evl_row_run, bench_name, 0),
	C(COL_TEXT, evl_row_run, bench_title, OPT),
	C(COL_TEXT, evl_row_run, bench_source, OPT | COL_LOCAL | COL_EXACT),
	C(COL_TEXT, evl_row_run, bench_sha256, OPT),
	C(COL_TEXT, evl_row_run, notice, OPT),
	C(COL_TEXT, evl_row_run, unit_json, OPT),
	C(COL_TEXT, evl_row_run, lab_json, OPT),
	C(COL_TEXT, evl_row_run, customer_json, OPT),
	C(COL_TEXT, evl_row_run, numbering, OPT),
	C(COL_TEXT, evl_row_run, build, 0),
	C(COL_U64, evl_row_run, seed, 0),
	C(COL_I64, evl_row_run, reference_run, OPT | COL_LOCAL),
	C(COL_TEXT, evl_row_run, clock, 0),
	C(COL_BOOL, evl_row_run, simulated, 0),
	C(COL_TEXT, evl_row_run, software_version, OPT | COL_LOCAL),
	C(COL_TEXT, evl_row_run, library_sha256, OPT | COL_LOCAL),
	C(COL_TEXT, evl_row_run, started_utc, COL_LOCAL),
	C(COL_TEXT, evl_row_run, ended_utc, OPT | COL_LOCAL),
	C(COL_TEXT, evl_row_run, state, COL_STATE),
	C(COL_TEXT, evl_row_run, verdict, COL_VERDICT),
	C(COL_TEXT, evl_row_run, message, OPT | COL_LOCAL),
};

static const struct column adapter_columns[] = {
	C(COL_I64, evl_row_adapter, run, COL_KEY | COL_LOCAL),
	C(COL_INT, evl_row_adapter, ordinal, COL_KEY),
	C(COL_TEXT, evl_row_adapter, instance, 0),
	C(COL_TEXT, evl_row_adapter, driver, 0),
	C(COL_TEXT, evl_row_adapter, version, OPT | COL_LOCAL),
	C(COL_TEXT, evl_row_adapter, abi, OPT | COL_LOCAL),
	C(COL_TEXT, evl_row_adapter, description, OPT | COL_LOCAL),
	C(COL_TEXT, evl_row_adapter, capabilities, OPT | COL_LOCAL),
};

static const struct column file_columns[] = {
	C(COL_I64, evl_row_file, run, COL_KEY | COL_LOCAL),
	C(COL_INT, evl_row_file, ordinal, COL_KEY),
	C(COL_TEXT, evl_row_file, name, 0),
	C(COL_TEXT, evl_row_file, purpose, 0),
	C(COL_I64, evl_row_file, bytes, 0),
	C(COL_TEXT, evl_row_file, sha256, 0),
};

static const struct column channel_columns[] = {
	C(COL_I64, evl_row_channel, run, COL_KEY | COL_LOCAL),
	C(COL_INT, evl_row_channel, ordinal, COL_KEY),
	C(COL_TEXT, evl_row_channel, role, 0),
	C(COL_INT, evl_row_channel, number, 0),
	C(COL_TEXT, evl_row_channel, klm, OPT),
	C(COL_TEXT, evl_row_channel, label, OPT),
	C(COL_TEXT, evl_row_channel, adapter, 0),
	C(COL_TEXT, evl_row_channel, channel, 0),
	C(COL_TEXT, evl_row_channel, rate, 0),
};

static const struct column caution_columns[] = {
	C(COL_I64, evl_row_caution, run, COL_KEY | COL_LOCAL),
	C(COL_INT, evl_row_caution, ordinal, COL_KEY),
	C(COL_TEXT, evl_row_caution, text, 0),
};

static const struct column personal_columns[] = {
	C(COL_I64, evl_row_personal, run, COL_KEY | COL_LOCAL),
	C(COL_INT, evl_row_personal, ordinal, COL_KEY),
	C(COL_TEXT, evl_row_personal, sha256, COL_LOCAL),
};

static const struct column case_columns[] = {
	C(COL_I64, evl_row_case, run, COL_KEY | COL_LOCAL),
	C(COL_INT, evl_row_case, ordinal, COL_KEY),
	C(COL_TEXT, evl_row_case, name, 0),
	C(COL_TEXT, evl_row_case, title, OPT),
	C(COL_TEXT, evl_row_case, purpose, OPT),
	C(COL_TEXT, evl_row_case, method, OPT),
	C(COL_TEXT, evl_row_case, state, COL_STATE),
	C(COL_TEXT, evl_row_case, verdict, COL_VERDICT),
	C(COL_TEXT, evl_row_case, message, OPT | COL_LOCAL),
	C(COL_I64, evl_row_case, started_ns, COL_TIME),
	C(COL_I64, evl_row_case, ended_ns, OPT | COL_TIME),
};

static const struct column take_columns[] = {
	C(COL_I64, evl_row_take, run, COL_KEY | COL_LOCAL),
	C(COL_INT, evl_row_take, case_no, COL_KEY),
	C(COL_INT, evl_row_take, ordinal, COL_KEY),
	C(COL_TEXT, evl_row_take, name, OPT),
	C(COL_TEXT, evl_row_take, state, COL_STATE),
	C(COL_I64, evl_row_take, start_ns, COL_TIME),
	C(COL_I64, evl_row_take, frames, 0),
	C(COL_I64, evl_row_take, planned_frames, 0),
	C(COL_I64, evl_row_take, lead_in_frames, 0),
	C(COL_TEXT, evl_row_take, clock, 0),
};

#define TAKE_KEY(s)                                                                                \
	C(COL_I64, s, run, COL_KEY | COL_LOCAL), C(COL_INT, s, case_no, COL_KEY),                  \
		C(COL_INT, s, take_no, COL_KEY), C(COL_INT, s, channel_no, COL_KEY)

static const struct column stream_columns[] = {
	TAKE_KEY(evl_row_stream),
	C(COL_TEXT, evl_row_stream, direction, COL_KEY),
	C(COL_TEXT, evl_row_stream, description, OPT),
	C(COL_I64, evl_row_stream, start_skew_ns, COL_TIME),
	C(COL_I64, evl_row_stream, bits, 0),
	C(COL_TEXT, evl_row_stream, digest, OPT),
	C(COL_TEXT, evl_row_stream, source_digest, OPT),
};

static const struct column measurement_columns[] = {
	TAKE_KEY(evl_row_measurement),
	C(COL_TEXT, evl_row_measurement, kind, COL_KEY),
	C(COL_TEXT, evl_row_measurement, pattern, OPT),
	C(COL_BOOL, evl_row_measurement, in_sync, 0),
	C(COL_BOOL, evl_row_measurement, inverted, 0),
	C(COL_I64, evl_row_measurement, bits, 0),
	C(COL_I64, evl_row_measurement, errors, 0),
	C(COL_I64, evl_row_measurement, seconds, 0),
	C(COL_I64, evl_row_measurement, errored_seconds, 0),
	C(COL_I64, evl_row_measurement, severely_errored_seconds, 0),
	C(COL_I64, evl_row_measurement, unavailable_seconds, 0),
	C(COL_I64, evl_row_measurement, background_block_errors, OPT),
	C(COL_I64, evl_row_measurement, sync_losses, 0),
	C(COL_I64, evl_row_measurement, slips, 0),
	C(COL_I64, evl_row_measurement, sync_bit, OPT),
	C(COL_I64, evl_row_measurement, first_error_bit, OPT),
	C(COL_INT, evl_row_measurement, found_channel_no, OPT),
	C(COL_I64, evl_row_measurement, delay_bits, OPT),
	C(COL_I64, evl_row_measurement, octet_slips, 0),
	C(COL_I64, evl_row_measurement, moved_bits, COL_SIGNED),
	C(COL_I64, evl_row_measurement, moved_least_bits, COL_SIGNED),
	C(COL_I64, evl_row_measurement, moved_most_bits, COL_SIGNED),
	C(COL_I64, evl_row_measurement, blocks, OPT),
	C(COL_I64, evl_row_measurement, errored_blocks, OPT),
	C(COL_TEXT, evl_row_measurement, recognised, OPT),
};

static const struct column performance_columns[] = {
	TAKE_KEY(evl_row_performance),
	C(COL_INT, evl_row_performance, ordinal, COL_KEY),
	C(COL_I64, evl_row_performance, bin_seconds, COL_KEY),
	C(COL_I64, evl_row_performance, bin, COL_KEY),
	C(COL_TEXT, evl_row_performance, place, 0),
	C(COL_TEXT, evl_row_performance, code, 0),
	CN(COL_TEXT, evl_row_performance, end, "end_", 0),
	C(COL_TEXT, evl_row_performance, path, 0),
	C(COL_I64, evl_row_performance, available_seconds, 0),
	C(COL_I64, evl_row_performance, unavailable_seconds, 0),
	C(COL_I64, evl_row_performance, errored_seconds, 0),
	C(COL_I64, evl_row_performance, severely_errored_seconds, 0),
	C(COL_I64, evl_row_performance, background_block_errors, 0),
	C(COL_I64, evl_row_performance, errored_blocks, 0),
	C(COL_I64, evl_row_performance, blocks, 0),
	C(COL_I64, evl_row_performance, unread_seconds, 0),
};

static const struct column second_columns[] = {
	TAKE_KEY(evl_row_second),
	C(COL_I64, evl_row_second, second, COL_KEY),
	C(COL_I64, evl_row_second, bits, 0),
	C(COL_I64, evl_row_second, errors, 0),
	C(COL_BOOL, evl_row_second, in_sync, 0),
	C(COL_I64, evl_row_second, sync_losses, 0),
	C(COL_I64, evl_row_second, slips, 0),
};

static const struct column mark_columns[] = {
	TAKE_KEY(evl_row_error_mark),
	C(COL_I64, evl_row_error_mark, bit_offset, COL_KEY),
};

static const struct column event_columns[] = {
	C(COL_I64, evl_row_event, run, COL_KEY | COL_LOCAL),
	C(COL_INT, evl_row_event, case_no, COL_KEY),
	C(COL_INT, evl_row_event, ordinal, COL_KEY),
	C(COL_INT, evl_row_event, take_no, OPT),
	C(COL_INT, evl_row_event, channel_no, 0),
	C(COL_I64, evl_row_event, at_ns, COL_TIME),
	C(COL_TEXT, evl_row_event, alarm, 0),
	C(COL_BOOL, evl_row_event, raised, 0),
	C(COL_TEXT, evl_row_event, place, OPT),
	C(COL_TEXT, evl_row_event, source, 0),
	C(COL_TEXT, evl_row_event, consequence_of, OPT),
	C(COL_INT, evl_row_event, cause_channel_no, OPT),
};

static const struct column check_columns[] = {
	C(COL_I64, evl_row_check, run, COL_KEY | COL_LOCAL),
	C(COL_INT, evl_row_check, case_no, COL_KEY),
	C(COL_INT, evl_row_check, ordinal, COL_KEY),
	C(COL_TEXT, evl_row_check, title, 0),
	C(COL_TEXT, evl_row_check, kind, OPT),
	C(COL_INT, evl_row_check, channel_no, OPT),
	C(COL_TEXT, evl_row_check, subject, OPT),
	C(COL_TEXT, evl_row_check, value, OPT),
	C(COL_TEXT, evl_row_check, unit, OPT),
	CN(COL_TEXT, evl_row_check, limit, "limit_", OPT),
	C(COL_TEXT, evl_row_check, relation, OPT),
	C(COL_TEXT, evl_row_check, confidence, OPT),
	C(COL_TEXT, evl_row_check, lower, OPT),
	C(COL_TEXT, evl_row_check, upper, OPT),
	C(COL_I64, evl_row_check, errors, OPT),
	C(COL_I64, evl_row_check, bits, OPT),
	C(COL_TEXT, evl_row_check, verdict, COL_VERDICT),
	C(COL_TEXT, evl_row_check, rule, OPT),
	C(COL_TEXT, evl_row_check, reason, OPT),
	C(COL_TEXT, evl_row_check, standard, OPT),
	C(COL_I64, evl_row_check, at_ns, OPT | COL_TIME),
};

static const struct column take_mark_columns[] = {
	C(COL_I64, evl_row_mark, run, COL_KEY | COL_LOCAL),
	C(COL_INT, evl_row_mark, case_no, COL_KEY),
	C(COL_INT, evl_row_mark, ordinal, COL_KEY),
	C(COL_INT, evl_row_mark, take_no, 0),
	C(COL_I64, evl_row_mark, at_ns, COL_TIME),
	C(COL_INT, evl_row_mark, channel_no, OPT),
	CN(COL_BOOL, evl_row_mark, trigger, "trigger_", 0),
	C(COL_TEXT, evl_row_mark, text, 0),
	C(COL_TEXT, evl_row_mark, recording, OPT),
};

static const struct column recording_columns[] = {
	C(COL_I64, evl_row_recording, run, COL_KEY | COL_LOCAL),
	C(COL_INT, evl_row_recording, ordinal, COL_KEY | COL_LOCAL),
	C(COL_INT, evl_row_recording, case_no, 0),
	C(COL_INT, evl_row_recording, take_no, 0),
	C(COL_TEXT, evl_row_recording, name, 0),
	C(COL_TEXT, evl_row_recording, path, COL_LOCAL),
	C(COL_TEXT, evl_row_recording, file_sha256, OPT | COL_LOCAL),
	C(COL_I64, evl_row_recording, bytes, COL_LOCAL),
	C(COL_BOOL, evl_row_recording, finished, 0),
	C(COL_I64, evl_row_recording, from_frame, 0),
	C(COL_I64, evl_row_recording, frames, 0),
	C(COL_TEXT, evl_row_recording, note, OPT | COL_LOCAL),
};

static const struct column recording_channel_columns[] = {
	C(COL_I64, evl_row_recording_channel, run, COL_KEY | COL_LOCAL),
	C(COL_INT, evl_row_recording_channel, recording_no, COL_KEY | COL_LOCAL),
	C(COL_INT, evl_row_recording_channel, ordinal, COL_KEY),
	C(COL_TEXT, evl_row_recording_channel, name, 0),
	C(COL_TEXT, evl_row_recording_channel, direction, OPT),
	C(COL_TEXT, evl_row_recording_channel, rate, 0),
	C(COL_I64, evl_row_recording_channel, bits, 0),
	C(COL_TEXT, evl_row_recording_channel, digest, OPT),
};

#define TABLE(name, columns, s, grows)                                                             \
	{                                                                                          \
		name, columns, (int)(sizeof columns / sizeof *(columns)), sizeof(struct s), grows  \
	}

const struct table store_tables[T_COUNT] = {
	[T_RUN] = TABLE("run", run_columns, evl_row_run, true),
	[T_ADAPTER] = TABLE("run_adapter", adapter_columns, evl_row_adapter, false),
	[T_FILE] = TABLE("run_file", file_columns, evl_row_file, false),
	[T_CHANNEL] = TABLE("run_channel", channel_columns, evl_row_channel, false),
	[T_CAUTION] = TABLE("run_caution", caution_columns, evl_row_caution, false),
	[T_PERSONAL] = TABLE("personal", personal_columns, evl_row_personal, false),
	[T_CASE] = TABLE("case_", case_columns, evl_row_case, true),
	[T_TAKE] = TABLE("take", take_columns, evl_row_take, true),
	[T_STREAM] = TABLE("stream", stream_columns, evl_row_stream, false),
	[T_MEASUREMENT] = TABLE("measurement", measurement_columns, evl_row_measurement, true),
	[T_PERFORMANCE] = TABLE("performance", performance_columns, evl_row_performance, false),
	[T_SECOND] = TABLE("second_", second_columns, evl_row_second, false),
	[T_MARK] = TABLE("error_mark", mark_columns, evl_row_error_mark, false),
	[T_EVENT] = TABLE("event", event_columns, evl_row_event, false),
	[T_TAKE_MARK] = TABLE("take_mark", take_mark_columns, evl_row_mark, false),
	[T_CHECK] = TABLE("check_", check_columns, evl_row_check, false),
	[T_RECORDING] = TABLE("recording", recording_columns, evl_row_recording, true),
	[T_RECORDING_CHANNEL] = TABLE("recording_channel", recording_channel_columns,
				      evl_row_recording_channel, false),
};

enum table_id store_table_by_name(const char *name)
{
	int id = 0;
	while (id < T_COUNT && strcmp(store_tables[id].name, name) != 0) {
		id++;
	}
	return (enum table_id)id;
}
