/* SPDX-License-Identifier: Apache-2.0 */
/* What the actions of `evenlode recording` share; each is one function as a verb has. */
#pragma once

#include "core/cli/cli.h"

extern const char cli_recording_help[];

int cli_recording_diff(int argc, char **argv);
int cli_recording_extract(int argc, char **argv);
int cli_recording_import(int argc, char **argv);
int cli_recording_copy(int argc, char **argv);
int cli_recording_bundle(int argc, char **argv);
int cli_recording_unbundle(int argc, char **argv);
