"""Words of the record, of rights and of facts: the page looks them up whole where it shows them."""

from calibration.saying import say

WORDS = (
    # outcomes, verdicts and states of instruments
    say("pass"), say("fail"), say("undecided"), say("void"), say("passed"), say("failed"),
    say("released"), say("watch"), say("held"), say("broken off"), say("given up"),
    say("accepted"), say("refused"), say("certified"), say("not certified"), say("open"),
    say("ended"), say("ends soon"), say("in force"), say("closed"), say("not watched"),
    say("valid"), say("due soon"), say("overdue"), say("missing"),
    # jobs, roles and rights
    say("daily_check"), say("tool_validation"), say("certification"), say("comparison"),
    say("daily check"), say("tool validation"), say("apprentice"), say("installer"), say("lead"),
    say("measure samples and check instruments"), say("judge and sign off checklists"),
    say("correct the record"), say("change limits"), say("enter a calibration"),
    say("release what was held"), say("sign a certification"),
    say("change people and their roles"),
    # parts of a resistance and how they were found
    say("meter accuracy"), say("meter resolution"), say("meter scale"), say("repeatability"),
    say("span"), say("reference span"), say("temperature difference"), say("wire ohm per metre"),
    say("drift since calibration"), say("by length"), say("by reference"),
    # units, wire and sources
    say("ohms and milliohms"), say("pounds and newtons"), say("copper"), say("trade rule"),
    say("common practice, no source"), say("limit"), say("peak"), say("none"),
)  # fmt: skip
