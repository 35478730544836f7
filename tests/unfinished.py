"""Tests of parts that later issues are still building: expected to fail, each to be taken off."""

REASON = "the checks, recipes and documents of a later issue are not finished"
UNFINISHED = (
    "tests/shell/test_standing.py::test_alert_whose_check_left_the_configuration_is_closed",
    "tests/shell/test_plant.py::test_json_sensors_send_their_own_time_just_before_the_message",
    "tests/shell/test_check.py::test_a_good_file_is_told_readably",
    "tests/shell/test_check.py::test_a_good_file_is_told_to_programs",
    "tests/shell/test_check.py::test_the_example_gets_every_check_of_a_machine",
    "tests/shell/test_daemon.py::test_stop_is_clean_and_quick_and_keeps_the_session",
    "tests/shell/test_days.py::test_every_shipped_check_has_a_recipe_that_must_raise_it",
    "tests/shell/test_days.py::test_recipe_raises_what_it_must_and_nothing_else",
    "tests/shell/test_history_chore.py::test_a_night_seals_in_another_process_and_tells_it_in_the_log",
    "tests/shell/test_learning.py::test_a_model_is_learned_from_a_capture_and_from_the_store_alike",
    "tests/shell/test_record.py::test_what_was_recorded_can_be_read_for_a_replay",
    "tests/shell/test_recorder.py::test_foreign_or_changed_bytes_are_refused_in_words",
    "tests/test_docs.py::test_every_command_has_a_row_and_no_row_is_of_no_command",
    "tests/test_docs.py::test_every_fault_of_the_simulated_shop_is_told_in_its_own_words",
    "tests/test_docs.py::test_every_shipped_check_has_a_row_and_no_row_is_of_no_check",
    "tests/test_docs.py::test_row_of_a_check_tells_how_long_its_condition_must_hold",
    "tests/test_docs.py::test_row_of_a_check_tells_its_urgency_and_figures_with_their_defaults",
)
