"""Tests of parts that later issues are still building: expected to fail, each to be taken off."""

REASON = "the checks, recipes and documents of a later issue are not finished"
UNFINISHED = (
    "tests/shell/test_standing.py::test_alert_whose_check_left_the_configuration_is_closed",
    "tests/shell/test_daemon.py::test_stop_is_clean_and_quick_and_keeps_the_session",
    "tests/shell/test_history_chore.py::test_a_night_seals_in_another_process_and_tells_it_in_the_log",
    "tests/shell/test_learning.py::test_a_model_is_learned_from_a_capture_and_from_the_store_alike",
    "tests/shell/test_record.py::test_what_was_recorded_can_be_read_for_a_replay",
    "tests/shell/test_recorder.py::test_foreign_or_changed_bytes_are_refused_in_words",
    "tests/test_docs.py::test_every_command_has_a_row_and_no_row_is_of_no_command",
)
