"""The answer of a study in words."""

from shaftloop.report.study.tables import shown_bound, shown_figure, shown_value
from shaftloop.studies.whatif.findings import StudyFindings
from shaftloop.words import figure_words, value_words

__all__ = ["verdict"]


def verdict(results: StudyFindings) -> list[str]:
    """Return which candidate is best, or what keeps all of them out."""
    study, answers = results.study, results.answers
    total, passed = results.table.evaluated, int(answers.passed.sum())
    keep = "keeps every bound" if passed == 1 else "keep every bound"
    said = [
        f"{passed} of {total} candidates {keep}." if study.bounds else f"{total} candidates were looked at."
    ]
    kept = min(range(len(study.bounds)), key=lambda place: answers.kept[place], default=None)
    if kept is not None and answers.kept[kept] < total:
        bound = shown_bound(results, kept)
        keeping = f"{answers.kept[kept]} of {total} keep it"
        said.append(f"{bound[0].upper()}{bound[1:]} holds back most: {keeping}.")
    ranked = answers.ranked.tolist()
    if study.goals and ranked:
        number, _, _, values, figures, _ = next(iter(results.store.entries(ranked[:1])))
        pairs = zip(study.axes, values, strict=True)
        how = ", ".join(f"{value_words(axis.path)} {shown_value(axis, value)}" for axis, value in pairs)
        names = list(study.figures)
        goal = study.goals[0].metric
        value = shown_figure(figures[names.index(goal)], study.figures[goal].unit)
        said.append(f"Best is candidate {number} with {how}: {figure_words(goal)} {value}.")
    elif study.goals:
        said.append("None can be ranked: loosen that bound, or widen the factors.")
    return said
