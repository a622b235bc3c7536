"""Imports run one way, and each layer keeps to its work."""

import ast
import collections
import functools
import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

import kit

KIT = Path(__file__).parents[1] / "kit"
FILES = sorted(KIT.rglob("*.py"))

# Each may import what stands before it. Growth and detection stand side by side with intervals after them.
LAYERS = [
    {"cautions", "numerics"},
    {"findings"},
    {"regions"},
    {"life"},
    {"detection"},
    {"growth"},
    {"posterior"},
    {"ranking"},
    {"intervals"},
    {"programmes"},
    {"cluster"},  # the same calls over parts of a fleet
    {"decisions"},
    {"drafts"},  # what an extract may hold, before it is a dataset
    {"simulate"},  # beside the analysis: used by the command line alone
    {"figures"},
    {"notebook", "sheets", "tap_sheets"},
    {"explore"},
    {"commands"},  # of the command line
    {"dictionary"},  # the documentation of tables, questions and records
    {"__main__"},
]
COMPUTE = {
    "numerics",
    "ranking",
    "findings",
    "regions",
    "life",
    "detection",
    "growth",
    "intervals",
    "programmes",
    "cluster",
    "decisions",
    "simulate",
}
SHOW = ("matplotlib", "ipywidgets", "IPython", "rich", "tqdm", "typer")
# Writing files is the work of these modules.
WRITERS = {
    "cluster/loading.py",
    "cluster/parts.py",
    "decisions/pack.py",
    "findings/files.py",
    "findings/check/set_aside.py",
    "simulate/extract.py",
    "simulate/write.py",
    "__main__.py",
}


def part_of(path):
    """The package or module right under kit that a file belongs to."""
    return path.relative_to(KIT).parts[0].removesuffix(".py")


def rank(part):
    return next(i for i, layer in enumerate(LAYERS) if part in layer)


PLANTED = {}  # files that are not there: what the rules are tried on


@functools.cache
def text_of(path):
    return PLANTED[path] if path in PLANTED else path.read_text(encoding="utf-8")


@functools.cache
def nodes(path):
    """All nodes of a file's tree, the module first; read once for all rules."""
    return tuple(ast.walk(ast.parse(text_of(path))))


@functools.cache
def imports(path, *, at_module_level=False):
    """Modules that a file imports, with their full names; imports for type checking only do not run."""
    typing_only = {
        id(inner)
        for node in nodes(path)
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }
    in_functions = {
        id(inner)
        for node in nodes(path)
        if at_module_level and isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        for inner in ast.walk(node)
    }
    found = []
    for node in nodes(path):
        if id(node) in typing_only or (at_module_level and id(node) in in_functions):
            continue
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: a relative import"
            found.append(node.module)
            found += [f"{node.module}.{alias.name}" for alias in node.names]
    return found


@functools.cache
def calls(path):
    """Names of the functions that a file calls, as written."""
    return {ast.unparse(node.func) for node in nodes(path) if isinstance(node, ast.Call)}


def named(path):
    return path.relative_to(KIT).as_posix()


def broken_by(rule, files):
    """What each file that breaks a rule is told."""
    told = []
    for path in files:
        try:
            rule(path)
        except AssertionError as error:
            told.append(f"{named(path)}: {error}")
    return told


def of_each(files):
    """Make a test of a rule for one file: it asks every file, and its failure names all that break the rule."""

    def make(rule):
        def test():
            told = broken_by(rule, files)
            assert not told, "\n".join(told)

        test.__name__, test.__doc__, test.rule = rule.__name__, rule.__doc__, rule
        return test

    return make


every_file = of_each(FILES)


def test_a_rule_names_each_file_that_breaks_it():
    def rule(path):
        assert path.name != "__init__.py", "planted"

    first, second = KIT / "__init__.py", KIT / "life" / "__init__.py"
    told = broken_by(rule, [first, KIT / "__main__.py", second])
    assert [line.split(":")[0] for line in told] == ["__init__.py", "life/__init__.py"]
    assert all("planted" in line for line in told)


def test_there_are_files_to_look_at():
    parts = {part_of(path) for path in FILES}
    assert {
        "findings",
        "regions",
        "life",
        "detection",
        "growth",
        "intervals",
        "decisions",
        "__main__",
    } <= parts
    assert parts - {"__init__"} <= set().union(*LAYERS), "a new part needs a place in LAYERS"


@of_each([path for path in FILES if path != KIT / "__init__.py"])
def test_imports_run_one_way(path):
    own = part_of(path)
    for name in imports(path):
        parts = name.split(".")
        if parts[0] == "kit" and len(parts) > 1 and parts[1] != own and is_part(parts[1]):
            assert rank(parts[1]) < rank(own), f"{named(path)} imports {name}"


def is_part(name):
    return (KIT / name).is_dir() or (KIT / f"{name}.py").is_file()


@every_file
def test_the_simulation_is_used_by_the_command_line_alone_and_judges_from_outside(path):
    if part_of(path) in ("simulate", "__main__"):
        return
    assert not [name for name in imports(path) if name.startswith("kit.simulate")]


@every_file
def test_the_compute_layers_show_nothing(path):
    """But for the line that tells how far long work has come, on a terminal only."""
    if part_of(path) not in COMPUTE or path == KIT / "simulate" / "progress.py":
        return
    assert not [name for name in imports(path) if name.split(".")[0] in SHOW]


@every_file
def test_the_front_door_and_the_show_layer_do_not_load_what_is_slow_at_once(path):
    """scipy.stats takes long to load; plots and widgets are loaded by those who ask for them."""
    loaded = imports(path, at_module_level=True)
    assert not [name for name in loaded if name.startswith("scipy.stats")]
    if path == KIT / "__init__.py":
        assert not [
            name for name in loaded if name.startswith(("kit.figures", "kit.explore", "kit.simulate"))
        ]


@every_file
def test_nothing_prints_but_the_command_line(path):
    if named(path) != "__main__.py":
        assert "print" not in calls(path)


@every_file
def test_nothing_is_evaluated_or_unpickled(path):
    assert not calls(path) & {
        "eval",
        "exec",
        "compile",
        "__import__",
        "np.load",
        "pd.read_pickle",
        "joblib.load",
    }
    roots = {name.split(".")[0] for name in imports(path)}
    assert not roots & {
        "pickle",
        "cPickle",
        "dill",
        "cloudpickle",
        "joblib",
        "shelve",
        "marshal",
        "subprocess",
    }


@every_file
def test_randomness_comes_from_generators_alone(path):
    text = text_of(path)
    used = {name for name in calls(path) if name.startswith(("np.random.", "random."))}
    allowed = (
        "np.random.default_rng",
        "np.random.SeedSequence",
        "np.random.Generator",
        "np.random.MT19937",
        "np.random.P",
    )
    assert not [name for name in used if not name.startswith(allowed)]
    assert "default_rng()" not in text, "a generator without a seed"


@every_file
def test_files_are_written_by_the_modules_whose_work_it_is(path):
    writes = [
        name for name in calls(path) if name.endswith((".write_text", ".write_bytes", ".to_csv", ".savefig"))
    ]
    writes = [name for name in writes if ".getvalue" not in name]
    if named(path) not in WRITERS and part_of(path) in COMPUTE:
        assert not writes


@of_each([path for path in FILES if path.name == "__init__.py" and path.parent != KIT])
def test_an_init_holds_imports_and_a_sorted_list_of_names_and_no_more(path):
    body = nodes(path)[0].body
    assert isinstance(body[0], ast.Expr), "a docstring comes first"
    names, imported = None, set()
    for node in body[1:]:
        if isinstance(node, ast.ImportFrom):
            assert [alias.name for alias in node.names] != ["*"]
            imported |= {alias.asname or alias.name for alias in node.names}
            continue
        assert isinstance(node, ast.Assign), ast.unparse(node)
        target = ast.unparse(node.targets[0])
        assert target in ("__all__", "__version__")
        if target == "__all__":
            names = ast.literal_eval(node.value)
    if len(body) == 1:
        return  # an inner package: its modules are named in full
    assert names == sorted(names, key=lambda name: (not name.isupper(), not name[0].isupper(), name))
    assert len(set(names)) == len(names)
    assert set(names) == imported


def test_the_front_door_loads_each_name_when_it_is_used():
    """Its list of places, its `__all__` and its imports for type checkers name the same; nothing is loaded at once."""
    path = KIT / "__init__.py"
    body = nodes(path)[0].body
    guard = next(node for node in body if isinstance(node, ast.If))
    typed = {
        alias.name: node.module
        for node in guard.body
        for alias in node.names
        if isinstance(node, ast.ImportFrom)
    }
    assert ast.unparse(guard.test) == "TYPE_CHECKING"
    assert sorted(typed) == sorted(kit.__all__)
    assert kit.__all__ == sorted(
        kit.__all__, key=lambda name: (not name.isupper(), not name[0].isupper(), name)
    )
    for name, module in typed.items():
        assert getattr(kit, name) is getattr(importlib.import_module(module), name)
    assert set(kit.__all__) <= set(dir(kit))
    with pytest.raises(AttributeError, match=r"no attribute 'fit_wiebull'\. Known are .*fit_weibull"):
        kit.fit_wiebull  # noqa: B018  the access is what is tried


def test_importing_the_kit_loads_no_library():
    """`import kit` is to take less than 0.4 s: numpy, pandas and the rest are loaded by who uses them."""
    code = "import sys, kit; print([n for n in ('numpy', 'pandas', 'scipy', 'shapely', 'pydantic') if n in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


@every_file
def test_no_path_of_this_machine_and_no_host_is_named(path):
    text = text_of(path)
    for words in (*(f"/{name}/" for name in ("work", "tmp", "home", "root")), "http://", "https://"):
        assert words not in text, words


@every_file
def test_packages_import_one_another_through_their_front_doors(path):
    """Numerics are tools, whose modules are public; of every other package only what its __init__ gives is."""
    own = part_of(path)
    past = [
        name
        for node in nodes(path)
        if isinstance(node, ast.ImportFrom) and (name := node.module or "").startswith("kit.")
        for parts in [name.split(".")]
        if len(parts) > 2 and parts[1] not in (own, "numerics") and name in set(imports(path))
    ]
    assert path == KIT / "__init__.py" or not [
        name
        for name in past
        if not name.startswith("kit.simulate")  # asked for by name, as it is slow to load
    ]


@every_file
def test_what_is_private_is_read_where_it_is_made(path):
    """A name with an underscore in front is of the module that makes it, or of numpy, pandas and tuples."""
    made = {
        node.name for node in nodes(path) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)
    }  # fmt: skip
    made |= {
        target.id
        for node in nodes(path)
        if isinstance(node, ast.Assign | ast.AnnAssign)
        for target in (node.targets if isinstance(node, ast.Assign) else [node.target])
        if isinstance(target, ast.Name)
    }
    of_self = {
        node.attr
        for node in nodes(path)
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in ("self", "cls")
    }  # fmt: skip
    outside = {"_replace", "_asdict", "_fields", "_from_sequence"}
    read = {node.attr for node in nodes(path) if isinstance(node, ast.Attribute)}
    read |= {
        alias.name
        for node in nodes(path)
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("kit")
        for alias in node.names
    }
    private = {name for name in read if name.startswith("_") and not name.startswith("__")}
    assert private - made - of_self - outside == set()


# Loops whose number of rounds is not written at their head, each with why it ends.
ENDS = {
    "growth/joint_likelihood.py": ["each round takes at least one gap"],
    "intervals/rules.py": ["the repeat shrinks to the next package, or by 2 % down to the shortest look"],
    "simulate/schedule.py": ["the age grows by the repeat, up to the horizon"],
    "simulate/loop.py": ["what is put back lies later, and nothing is done beyond the last day"],
    "simulate/fleet.py": ["the day grows up to the last one", "the day grows, or one fewer check is left"],
    "findings/tables.py": ["each round places the tables that rest on none that is left; a ring is refused"],
    "findings/report/corrections.py": ["no more names are used than there are rows"],
    "findings/read/workbook.py": ["the file ends"],
    "findings/check/meters.py": ["each step goes to an earlier row"],
    "findings/known.py": ["no row is seen twice"],
    "regions/make/sound_skin.py": ["each round keeps about half"],
    "regions/measure/extents.py": ["each round lets go of corners"],
    "detection/demonstration.py": ["refused beyond the most trials", "halves whole numbers"],
    "detection/agreement.py": ["doubles up to a most"],
}


def whiles(path):
    return sum(isinstance(node, ast.While) for node in nodes(path))


@every_file
def test_every_loop_and_search_ends(path):
    """A search is a loop over a number of rounds that ends in a refusal; of each `while` it is said here why it ends."""
    assert whiles(path) == len(ENDS.get(named(path), []))


def test_loops_that_are_no_more_are_not_listed():
    assert set(ENDS) <= {named(path) for path in FILES}


def test_no_module_imports_itself_by_way_of_others():
    """Neither at its head nor within a function; what is imported for types alone does not run."""
    names = {
        ".".join(("kit", *path.relative_to(KIT).with_suffix("").parts)).removesuffix(".__init__"): path
        for path in FILES
    }
    # An __init__ gathers what its modules give, so that only ties between modules can make a ring.
    ties = {
        name: {other for other in imports(path) if other in names and names[other].name != "__init__.py"}
        for name, path in names.items()
        if path.name != "__init__.py"
    }
    for _ in range(len(ties)):
        free = {name for name, others in ties.items() if not others & set(ties)}
        ties = {name: others for name, others in ties.items() if name not in free}
    assert sorted(ties) == []


CALLED_FROM_OUTSIDE = {"_repr_svg_", "_render_traceback_", "__version__"}  # by notebooks and packagers


def unnamed(files, elsewhere=()):
    """Functions, classes and constants of files that no code names but where they are made; what a decorator takes is named by it."""
    made = {}
    for path in files:
        for node in nodes(path):
            if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.decorator_list:
                made[node.name] = path
        for node in nodes(path)[0].body:
            if isinstance(node, ast.Assign | ast.AnnAssign):
                targets = node.targets if isinstance(node, ast.Assign) else [node.target]
                made |= {target.id: path for target in targets if isinstance(target, ast.Name)}
    counts = collections.Counter()
    for path in (*files, *elsewhere):
        counts.update(re.findall(r"[A-Za-z_]\w*", text_of(path)))
    return {
        f"{named(path)}: {name}"
        for name, path in made.items()
        if counts[name] < 2 and name not in CALLED_FROM_OUTSIDE and not re.fullmatch("__.*__", name)
    }


def test_what_is_made_is_named_somewhere():
    """What nothing names, neither the kit nor a test nor a notebook, is dead and goes."""
    clone = KIT.parent
    elsewhere = [*clone.glob("tests/**/*.py"), *clone.glob("notebooks/*.ipynb")]
    assert unnamed(FILES, elsewhere) == set()
    path = KIT / "life" / "planted_dead.py"
    PLANTED[path] = "def nobody_asks(): ...\nONE = 1\nTWO = ONE"
    assert unnamed([path]) == {"life/planted_dead.py: nobody_asks", "life/planted_dead.py: TWO"}


# For each rule of a file one that breaks it.
OFFENDERS = [
    (test_imports_run_one_way, "life", "import kit.intervals"),
    (
        test_the_simulation_is_used_by_the_command_line_alone_and_judges_from_outside,
        "figures",
        "from kit.simulate import make_demo",
    ),
    (test_the_compute_layers_show_nothing, "life", "def show():\n    import matplotlib.pyplot"),
    (
        test_the_front_door_and_the_show_layer_do_not_load_what_is_slow_at_once,
        "life",
        "from scipy.stats import norm",
    ),
    (test_nothing_prints_but_the_command_line, "life", "print(1)"),
    (test_nothing_is_evaluated_or_unpickled, "life", "eval('1')"),
    (test_nothing_is_evaluated_or_unpickled, "life", "import pickle"),
    (test_randomness_comes_from_generators_alone, "life", "import numpy as np\nnp.random.normal()"),
    (test_randomness_comes_from_generators_alone, "life", "import numpy as np\nnp.random.default_rng()"),
    (test_files_are_written_by_the_modules_whose_work_it_is, "life", "path.write_text('')"),
    (test_no_path_of_this_machine_and_no_host_is_named, "life", "PLACE = 'https:" + "//'"),
    (
        test_packages_import_one_another_through_their_front_doors,
        "intervals",
        "from kit.life.fits.weibull import fit_weibull",
    ),
    (test_what_is_private_is_read_where_it_is_made, "life", "def read(fleet):\n    return fleet._raw"),
    (test_every_loop_and_search_ends, "life", "while True:\n    pass"),
]


def test_each_rule_fails_on_a_file_planted_to_break_it():
    for k, (test, part, text) in enumerate(OFFENDERS):
        path = KIT / part / f"planted_{k}.py"
        PLANTED[path] = text
        assert [line.split(":")[0] for line in broken_by(test.rule, [path])] == [named(path)], text
    path = KIT / "life" / "planted" / "__init__.py"
    for body in (
        '"""Words."""\nx = 1',
        "from kit.life import *",
        '"""Words."""\nfrom a import b, a\n__all__ = ["b", "a"]',
    ):
        PLANTED[path] = body
        text_of.cache_clear()
        nodes.cache_clear()
        assert broken_by(test_an_init_holds_imports_and_a_sorted_list_of_names_and_no_more.rule, [path]), body


def test_every_rule_of_a_file_has_an_offender():
    rules = {name for name, test in globals().items() if hasattr(test, "rule")}
    tried = {test.__name__ for test, _, _ in OFFENDERS}
    assert rules - tried == {"test_an_init_holds_imports_and_a_sorted_list_of_names_and_no_more"}
