"""Fields of what a run plans for a turnaround: scope, budget, kits, limits."""

from service.schemas.words import DAYS, HOURS, KITS, MONEY, SHARE, Word

PER_CENT = "per cent"

WORDS_OF_TURNAROUNDS: dict[str, Word] = {
    # scope
    "rank": Word("Place in the list: what is opened first, what saves most first", 1, "place"),
    "ScopeValve.decision": Word("Whether the valve is opened: in or out", "in"),
    "opened_for": Word("Items it is opened for, or could best be", "packing|trim"),
    "chance_of_failure": Word("Chance that an item fails before the next window, if none is renewed now", 0.42, SHARE),
    "saves": Word("What opening saves over leaving the valve shut; null: costs aren't known", "7319.50", MONEY),
    "ScopeValve.reason": Word("The answer in words", "Left shut: its line stays in service."),
    "ScopeValve.cost": Word("Kits and work as planned; null: costs aren't known", "10799.80", MONEY),
    "hours": Word("At the bench, as planned", 32.4, HOURS),
    "ScopeValve.kits": Word("Kits it takes", "Q-TRM-216:1"),
    "scope_line": Word("What was decided about the valve beforehand", "must_open"),
    "next_window_on": Word("First day of the next turnaround of its area", "2027-10-04"),
    # budget
    "base_estimate": Word("Kits and work of the planned scope", "235832.40", MONEY),
    "contingency_percentile": Word("Chance with which base estimate and contingency suffice", 80, PER_CENT),
    "contingency": Word("That percentile of the total less the base estimate", "39495.71", MONEY),
    "price_and_hours_change": Word("What uncertain prices and hours add at that percentile", "14625.15", MONEY),
    "lines": Word("Lines of the budget, then the total", []),
    "cash": Word("What is due on which day", []),
    "Budget.valves": Word("What is expected of each valve", []),
    "basis": Word("What the budget rests on", None),
    "percentiles": Word("What the total stays below, at 1 to 99 per cent", ["210000.00"], MONEY),
    "percentiles_without_prices": Word("The same with prices and hours as stated", ["236000.00"], MONEY),
    "BudgetLine.line": Word("Which line: planned, until_freeze, emergent, discovery or a total", "emergent"),
    "BudgetLine.mean": Word("What is expected", "4222.24", MONEY),
    "BudgetLine.p10": Word("It is at most this in 10 of 100 cases", "0.00", MONEY),
    "BudgetLine.p50": Word("It is at most this in 50 of 100 cases", "1839.82", MONEY),
    "BudgetLine.p80": Word("It is at most this in 80 of 100 cases", "8815.81", MONEY),
    "BudgetLine.p90": Word("It is at most this in 90 of 100 cases", "11447.77", MONEY),
    "what": Word("What it is for", "work"),
    "BudgetValve.planned": Word("Kits and work as planned", "10799.80", MONEY),
    "until_freeze": Word("Expected: fails before the freeze and waits", "0.00", MONEY),
    "emergent": Word("Expected: fails after the freeze and waits", "310.40", MONEY),
    "discovery": Word("Expected: found worn or failed once the valve is open", "122.90", MONEY),
    "Cash.due_on": Word("When it is due", "2026-10-25"),
    "Cash.qty": Word("How many kits", 4, KITS),
    "amount": Word("How much is due", "76069.30", MONEY),
    "prices": Word("Prices it rests on", []),
    "Basis.models": Word("Failure models it rests on", []),
    "assumptions": Word("What is assumed", ["kits are due on the first day, everything else on the last"]),
    "exclusions": Word("What it leaves out", ["what fails and is rebuilt on the run: that is running spend"]),
    "finds": Word("How often openings found items bad", []),
    "conventions": Word("How it is reckoned", ["the contingency is a percentile of the whole less the base estimate"]),
    "BasisRow.part": Word(
        "Which part of the basis: as_of, method, model, find, price, convention, assumption, exclusion", "price"
    ),
    "Find.openings": Word("Openings of the record for something else that say how it was found", 14, "openings"),
    "Find.found": Word("Of these, those that found it worn or failed", 5, "openings"),
    "Find.chance": Word("Expected chance that the next one does", 0.342, SHARE),
    "BasisRow.of": Word("Kit, or service class and item; null: of the whole", "Q-TRM-216"),
    "BasisRow.said": Word("In words", "9350.00 of 2026-01-05"),
    "PlannedModel.source": Word("Where the parameters come from", "own_lives_and_pool"),
    # kits
    "to_order": Word("How many to order", 4, KITS),
    "TurnaroundKit.order_by": Word("Last day on which an order is in time with the stated probability", "2026-07-10"),
    "days_late": Word("How long ago that day was", 97, DAYS),
    "planned_qty": Word("How many the planned scope takes", 3, KITS),
    "expected_extra": Word("How many more are expected to be found needed or to wait", 0.391, KITS),
    "wanted_qty": Word("How many suffice with the stated probability", 4, KITS),
    "available": Word("There by then, beyond what the running need keeps", 0, KITS),
    "TurnaroundKit.needed_on": Word("First day of the turnaround", "2026-10-04"),
    "arrives_in_time": Word("Chance that an order of today is there by then", 0.109, SHARE),
    "order_before_freeze": Word("Whether it must be ordered before the scope is frozen", True),
    "chance_used": Word("Chance that more are needed than are there", 0.996, SHARE),
    "TurnaroundKit.cost": Word("Price of what is to be ordered", "20480.00", MONEY),
    "surplus_cost": Word("Expected value of what is ordered and then not needed", "3211.01", MONEY),
    "TurnaroundKit.cancelling_cost": Word(
        "Expected cost of cancelling or sending back what isn't needed", "85.10", MONEY
    ),
    "TurnaroundKit.expediting_cost": Word(
        "What expediting the order costs; null: the record doesn't say", "450.00", MONEY
    ),
    "expedited_there_on": Word("When an order of today is there if it is expedited", "2026-07-30"),
    "StagedKit.qty": Word("How many to lay out as planned", 1, KITS),
    "TurnaroundKit.reason": Word("The answer in words", "Order 13 by 2026-07-10: 13 suffice with a chance of 90%."),
    # limits
    "Limit.limit": Word("Which limit: budget, hours or valves", "hours"),
    "Limit.at": Word("The limit", 160.0, "currency of the database, hours or valves"),
    "used": Word("What the best scope takes of it", 158.4, "currency of the database, hours or valves"),
    "Limit.unit": Word("How much more was tried", 8.0, "currency of the database, hours or valves"),
    "worth": Word("What the best scope would save more", "412.30", MONEY),
}
