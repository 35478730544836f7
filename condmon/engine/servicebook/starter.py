"""Tasks to begin with on a machining centre. Common practice, no source. Pure.

A start for a shop that has no list of its own; every line is meant to be changed. The machine
maker's manual comes before anything written here, above all for pressures, torques and cautions.
"""

from typing import Any

from condmon.engine.checks.base import LOCKOUT
from condmon.engine.servicebook.fields import key_from
from condmon.engine.settings import Machine

SOURCE = "common practice, no source; the maker's manual comes first"
SPINDLE = "The spindle may be hot and may coast for minutes: wait until it stands still. " + LOCKOUT
HYDRAULIC = (
    "Accumulators hold pressure with the pump off: let it down as the maker says and look at the "
    "gauge before opening anything. Oil may be hot; a jet from a pinhole goes through skin. "
    + LOCKOUT
)
AIR = "Shut the main valve and let the stored air out before opening anything. " + LOCKOUT
ELECTRIC = (
    "Work in the cabinet is for licensed people. Drives hold a charge after switching off; wait "
    "as long as the label says. " + LOCKOUT
)
COOLANT = "Chips cut and coolant harms skin: gloves and glasses. " + LOCKOUT

Row = tuple[str, str, str, dict[str, float], dict[str, float], tuple[str, ...], str, dict[str, Any]]

ROWS: tuple[Row, ...] = (
    # key, sort, title, every, lead, steps, caution, more
    ("walk-round", "inspection", "walk-round", {"days": 7}, {"days": 1},
     ("Levels: coolant, way oil, hydraulic oil, spindle oil.",
      "Gauges: air after the service unit, hydraulic pressure, against what is usual.",
      "Look under and behind the machine for wet spots, listen for air.",
      "Anything that sounds, smells or feels other than last week? Write it down."),
     LOCKOUT, {}),
    ("coolant-strength", "inspection", "coolant concentration", {"days": 7}, {"days": 1},
     ("Stir, take a drop, read the refractometer and use the coolant maker's factor.",
      "Top up with mix, never with water alone."),
     COOLANT, {"unit": "%", "low": 5.0, "high": 10.0}),
    ("coolant-exchange", "service", "clean the coolant tank and exchange the coolant",
     {"days": 180}, {"days": 21},
     ("Order coolant and have the old one collected.", "Empty, clean tank and lines, fill anew."),
     COOLANT, {"place": "coolant"}),
    ("chips", "cleaning", "chips out of corners, covers and conveyor",
     {"hours_on": 120, "days": 30}, {"hours_on": 24},
     ("No compressed air: it blows chips under covers and wipers.",),
     COOLANT, {}),
    ("way-covers", "inspection", "way covers and wipers", {"hours_on": 1000, "days": 90},
     {"days": 14},
     ("Dents, chips between the plates, torn wiper lips?", "Do they run without a jerk?"),
     LOCKOUT, {"photo": True}),
    ("bellows", "inspection", "bellows and folded covers", {"days": 90}, {"days": 14},
     ("Tears at the folds, loose edges, chips inside?",), LOCKOUT, {"photo": True}),
    ("door", "inspection", "door: latch, guides, window", {"door_cycles": 20000, "days": 90},
     {"door_cycles": 2000, "days": 14},
     ("Does it latch at the first push?", "Window: scratches, cracks, clouding?",
      "Its plastic ages with coolant; exchange it at the age the maker gives."),
     "The interlock is never bridged to look at it. " + LOCKOUT, {"photo": True}),
    ("safety-test", "inspection", "emergency stops and door interlock: function test",
     {"days": 30}, {"days": 5},
     ("Each emergency stop in turn, spindle standing.", "The door must not open while it turns."),
     "A stop or interlock that fails takes the machine out of use until it is mended.", {}),
    ("taper", "cleaning", "spindle taper and its contact face", {"hours_turning": 40, "days": 14},
     {"hours_turning": 8},
     ("Wipe with a clean cloth or taper wiper; look for fretting and chip marks.",), SPINDLE, {}),
    ("clamp-force", "inspection", "tool clamping force", {"tool_changes": 100000, "days": 180},
     {"tool_changes": 10000, "days": 21},
     ("Measure with a draw-bar force gauge, three times.",
      "Write the mean down; compare with the maker's least value."),
     SPINDLE, {"unit": "kN", "place": "draw bar"}),
    ("spindle-lubrication", "inspection", "spindle oil-air lubrication",
     {"hours_turning": 500, "days": 90}, {"hours_turning": 50, "days": 14},
     ("Oil level and kind; water or dirt in it?", "Filter of the unit, lines.",
      "Drops at the sight glass while the spindle turns?"),
     SPINDLE, {"place": "spindle"}),
    ("run-out", "calibration", "spindle run-out at the test bar",
     {"hours_turning": 2000, "days": 365}, {"hours_turning": 200, "days": 30},
     ("Warm spindle; at the nose and at 300 mm, four positions of the bar.",),
     SPINDLE, {"unit": "um", "place": "spindle"}),
    ("air-unit", "service", "air service unit: filters, drain, oiler", {"days": 180}, {"days": 21},
     ("Exchange the filter inserts, try the drain, fill the oiler if there is one.",),
     AIR, {"place": "air service unit"}),
    ("air-leaks", "inspection", "listen for air leaks in a quiet hour", {"days": 90}, {"days": 14},
     ("Machine on, nothing moving: fittings, valves, spindle nose, linear scales.",), AIR, {}),
    ("hydraulic-oil", "service", "hydraulic oil and filter", {"hours_on": 4000, "days": 730},
     {"hours_on": 300, "days": 45},
     ("Exchange filter and oil, clean the breather, bleed as the maker says.",
      "Look at the old oil: metal, water, smell?"),
     HYDRAULIC, {"place": "hydraulic unit"}),
    ("accumulator", "inspection", "hydraulic accumulator: gas charge", {"days": 365}, {"days": 30},
     ("By someone qualified, with the maker's gauge and nitrogen only.",),
     HYDRAULIC, {"unit": "bar", "place": "hydraulic unit"}),
    ("hoses", "inspection", "hydraulic, coolant and air hoses", {"days": 180}, {"days": 21},
     ("Chafing, blisters, hard or sweating places, age printed on them?",),
     HYDRAULIC, {"photo": True}),
    ("chiller-clean", "cleaning", "chiller: fins and filter mat", {"days": 30}, {"days": 5},
     ("Off and cool; brush or vacuum, do not bend the fins.",), LOCKOUT, {}),
    ("chiller-water", "service", "chiller: water, inhibitor, strainer", {"days": 365}, {"days": 30},
     ("Exchange the water with the inhibitor the maker names, clean the strainer.",),
     LOCKOUT, {"place": "chiller"}),
    ("cabinet-mats", "cleaning", "filter mats and fans of the cabinet", {"days": 60}, {"days": 7},
     ("Exchange the mats; do the fans run?", "Leave the cabinet shut otherwise."), ELECTRIC, {}),
    ("way-oil", "service", "way-oil pump: filter, tank, lines", {"days": 365}, {"days": 30},
     ("Clean the tank, exchange the filter, see oil arrive at each line's end.",),
     LOCKOUT, {"place": "way-oil pump"}),
    ("ball-bar", "calibration", "circular test of the axes", {"days": 180}, {"days": 21},
     ("Warm machine, same feed, radius and place as last time.", "Keep the plot with the entry."),
     LOCKOUT, {"unit": "um"}),
    ("level", "calibration", "level and squareness", {"days": 365}, {"days": 30},
     ("After warm-up, with the same level and square as last time.",), LOCKOUT, {"unit": "um"}),
    ("tool-setter", "calibration", "probe and tool setter with the master",
     {"days": 30}, {"days": 5},
     ("Clean stylus and master, five touches, also after every hard stop.",),
     LOCKOUT, {"unit": "um"}),
    ("backup", "service", "backup of parameters and programs; batteries of the control",
     {"days": 180}, {"days": 21},
     ("Copy parameters, offsets, programs to two places and try to read one back.",
      "Batteries: as the manual says, usually with the control switched on."),
     ELECTRIC, {}),
)  # fmt: skip


def starter_set(machine: Machine) -> dict[str, dict[str, Any]]:
    """Content of each task by its key, which begins with the machine's."""
    found: dict[str, dict[str, Any]] = {}
    for key, sort, title, every, lead, steps, caution, more in ROWS:
        content = {
            "title": title[0].upper() + title[1:], "sort": sort, "every": every,
            "lead": lead, "do": list(steps), "caution": caution, "source": SOURCE, **more,
        }  # fmt: skip
        found[f"{key_from(machine.id, ())}.{key}"[:64]] = content
    return found
