"""The page of the detection benchmark, made from what each visit gave."""

from __future__ import annotations

from pipeline.bench.confusion import confusion_table, raised_table, unjudged_pairs
from pipeline.bench.detection_tables import (
    alarm_table,
    detection_table,
    goal_rows,
    missed_table,
    reasons_table,
    several_table,
    smallest_table,
    unsaid_table,
)
from pipeline.bench.kept_visits import KeptHalf, value_frame, verdict_frame
from pipeline.bench.tables import look_table, markdown, value_table

INTRODUCTION = """# Detection of faults in rendered walkers

Printed by `python -m pipeline bench faults` on {days}, {model} model, {walkers}: {visits},
{measured}. The walkers are rendered, so what they show is known exactly;
their people, light and cloth are easier than real ones, and each fault is made in one way only. This is no
validation: it says what the pipeline can see, not how often it will be right on patients.

*present* means that the whole 95 % interval lies beyond the limit. Sensitivity counts `borderline` and `cannot say` as
missed. *true beyond* and *found beyond* are medians of how far beyond the limit a fault is and was found to be,
negative within it; *margin* is how far the interval reaches towards the limit. A fault beyond the limit by less than
the margin would be missed even if it were measured without error: *margin covers it*. The others that were missed were
*read too small*. A visit with one fault has only the clips that show it; visits without a fault, with several, and
those *in every view* (one clear fault; not counted among the sizes) have two side views, one from the front and one
from behind. What needs 60 frames a second is counted where it had them: without a fault and in every view, that is
every second visit. Under *Metrics* stand errors, found minus true; *slope* is that of found on true values with half
of its 95 % interval (*+-*), where the true values show one. True is what the metric says of the true joints;
*injected* is what the walker was made to show, in a walk without filming: not every metric sees the whole of it.
*Inside* is the share of limbs whose interval holds the true value: 95 % is meant, less says that the own error is too
small for that limb.

The goals are those set before the first measurement. That for *mild* is meant where a mild fault lies at least twice
the metric's own error beyond its limit; nearer to the limit nobody could tell. What a fault falls short of, and why,
stands on [its page](faults/README.md), and there is said how often this half was looked at."""
CONFUSION = "Confusion: other faults called present in clear and severe walkers with one fault"


def faults_page(half: KeptHalf) -> str:
    """Return the whole page in Markdown; equal visits give equal pages."""
    visits = [half.visits[subject] for subject in sorted(half.visits)]
    verdicts, values = verdict_frame(visits), value_frame(visits)
    looks = verdicts.drop_duplicates("subject").set_index("subject")["limb"]
    failed = {clip: message for visit in visits for clip, message in visit.failed.items()}
    clips = sum(visit.clips for visit in visits)
    introduction = INTRODUCTION.format(
        days=days_of(half), model=half.model, walkers=half.walkers, visits=_how_many(half),
        measured=f"{clips - len(failed)} of {clips} clips measured, the others refused" if failed
        else f"all {clips} clips measured",
    )  # fmt: skip
    tables = {
        "Goals": goal_rows(verdicts),
        "Walkers with one fault": detection_table(verdicts),
        "Why a fault was missed": missed_table(verdicts),
        "Walkers without a fault": alarm_table(verdicts),
        "Cannot say without a fault, by limb": unsaid_table(verdicts),
        "Why nothing can be said, visits by reason": reasons_table(verdicts),
        "Smallest size found": smallest_table(verdicts),
        "Walkers with several faults": several_table(verdicts),
        "False alarms beside other faults, in every view": raised_table(verdicts),
        CONFUSION: confusion_table(verdicts),
        "Metrics": value_table(values),
        "Metrics of the prosthetic limb, by what it looks like": look_table(values, looks),
    }
    sections = [introduction, *(f"### {name}\n\n{markdown(table)}" for name, table in tables.items())]
    unjudged, pairs = unjudged_pairs(verdicts)
    place = 1 + list(tables).index(CONFUSION)
    sections[place] += (
        f"\n\nOf {pairs} pairs, {unjudged} could not be judged in any visit: its clips show one of the two only, or "
        "nothing could be said of the other."
    )
    if failed:
        sections.append("Not measured:\n\n" + "\n".join(f"- {clip}: {message}" for clip, message in failed.items()))
    made_with = "\n".join(f"- {name}: {value}" for name, value in half.made_with.items())
    sections.append(f"### Measured with\n\n{made_with}")
    return "\n\n".join(sections) + "\n"


def _how_many(half: KeptHalf) -> str:
    """Its visits, and of how many where more are to come."""
    if len(half.visits) >= half.asked_for:
        return f"{len(half.visits)} visits"
    return f"{len(half.visits)} visits, **the first part of {half.asked_for}** (walker 1 of everything comes first)"


def days_of(half: KeptHalf) -> str:
    """The first and the last day on which visits of it were measured."""
    days = sorted({visit.day for visit in half.visits.values()})
    return " to ".join(dict.fromkeys([days[0], days[-1]]))
