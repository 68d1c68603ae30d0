"""Words of the test request for what the case format writes as codes."""

from dossier.words import later

KINDS = {
    "multipass": later("Multi-pass run"),
    "pressure_drop": later("Flow sweep of the clean filter"),
    "bypass_valve": later("Sweep of the bypass valve"),
    "inspection": later("Inspection"),
}
SIDES = {"candidate": later("candidate"), "reference": later("filter now fitted")}
BASES = {
    "mean": later("mean"),
    "every_specimen": later("every specimen"),
    "population": later("population"),
}
RULES = {
    "simple_acceptance": later("simple acceptance"),
    "guard_band": later("guard band"),
    "graded": later("graded words"),
}
ARRANGEMENTS = {
    "full_flow": later("full flow"),
    "partial_flow": later("partial flow"),
    "full_and_partial_flow": later("full flow and partial flow, two filters"),
    "combined": later("two media in one can, the fine part returns to the sump"),
    "combined_through_flow": later("two media in one can, all oil to the engine"),
}
VALVES = {
    "filter": later("bypass valve in the filter"),
    "head": later("bypass valve in the filter head"),
    "none": later("no bypass valve"),
}
TERMINALS = {
    "given": later("as set for this request"),
    "valve": later("upper end of the opening band of the bypass valve"),
    "requirement": later("largest pressure drop that a requirement allows"),
}
WAYS = {
    "guard band": later("guard band of a mean"),
    "tolerance": later("tolerance limit of a population"),
    "success run": later("success run"),
    "least": later("least number"),
    "none": later("tolerance limit: the population alone takes up the margin"),
}
COMPARED = later("against the filter now fitted")
FORMULAS = {
    "guard band": later(
        "smallest n with t(C; n − 1) · s · √(1 + k²) / √n ≤ f · m: s scatter, m margin, f the part "
        "of it for the scatter, C the confidence, t Student's one-sided quantile; k = 0, or the "
        "share of the mean of the filter now fitted that is asked for"
    ),
    "tolerance": later(
        "smallest n with (k(n; p; C) − z(p)) · s ≤ f · (m − z(p) · s): k the exact one-sided "
        "tolerance factor for the share p of a normal population, z(p) its value for very many "
        "specimens"
    ),
    "success run": later(
        "smallest n with 1 − C ≥ Rⁿ, none of n specimens failing: R the share of the population"
    ),
    "least": later("two: one specimen says nothing about the scatter"),
}
