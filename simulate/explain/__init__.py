"""Why here deeper than there: an etch taken apart into its causes.

Reading order within the folder::

    shapley         shares of a total among causes that act together
    log_ratios      measures of unevenness as log ratios, which add
    recess_smoothing  what a tall wall of mask does to the current below it
    counterfactual  the same case with any of its causes taken away
    attribution     shares of each measure among the causes
    sensitivity     single changes: what they would help, and cost in time
    sentences       the findings as sentences and tables
    explanation     all of it for one result
    comparison      several results beside each other

The names below are handed on from `explanation`.
"""

from simulate.explain.explanation import Explanation, explain_result

__all__ = ["Explanation", "explain_result"]
