"""Write fitted trees as a Python module that the engine imports."""

from collections.abc import Sequence

from prehowl.detectors.trees import Trees


def weights_text(trees: Trees, names: Sequence[str], head: str, levels: str) -> str:
    """Return the module's text.

    Parameters
    ----------
    trees : Trees
    names : sequence of str
        Of the figures that the trees ask about.
    head : str
        The module's docstring without its quotes.
    levels : str
        Assignments to stand before the trees.
    """
    lines = [f'"""{head}"""', "", f"BIAS = {trees.bias:.4f}", "", levels.strip(), ""]
    lines += [
        "QUESTIONS: tuple[tuple[tuple[str, ...], tuple[float, ...], tuple[float, ...]], ...] = ("
    ]
    for asked, cuts, heights in trees.rows(tuple(names)):
        told = ", ".join(f'"{name}"' for name in asked)
        lines += [
            "    (",
            f"        ({told}),",
            f"        {cuts},",
            f"        {heights},",
            "    ),",
        ]
    lines += [
        ")",
        '"""What is asked, where it is cut, and the height for each pattern of answers."""',
    ]
    return "\n".join(lines) + "\n"
