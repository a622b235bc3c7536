"""Public names are documented: what they do, parameters, units, returns."""

import importlib
import inspect
import pkgutil

import pytest
from numpydoc.validate import validate

import kit

# Not asked of every public name: examples, a See Also section, an extended summary.
CHECKS = {
    "GL03",
    "GL05",
    "GL06",
    "GL07",
    "GL08",
    "GL10",
    "SS01",
    "SS02",
    "SS03",
    "SS05",
    "PR01",
    "PR02",
    "PR03",
    "PR04",
    "RT01",
    "RT03",
    "YD01",
}


def public_names():
    modules = [
        kit,
        *(
            importlib.import_module(m.name)
            for m in pkgutil.iter_modules(kit.__path__, "kit.")
            # Commands say what their options mean in the options; their docstring is what --help prints.
            if m.name not in ("kit.__main__", "kit.commands")
        ),
    ]
    for module in modules:
        names = getattr(module, "__all__", None) or [n for n in vars(module) if not n.startswith("_")]
        for name in names:
            value = getattr(module, name)
            if not (inspect.isfunction(value) or inspect.isclass(value)) or not value.__module__.startswith(
                "kit"
            ):
                continue
            # Data models say what their fields mean in the fields; a protocol's methods are those of its classes.
            if hasattr(value, "model_fields") or getattr(value, "_is_protocol", False):
                continue
            yield f"{value.__module__}.{value.__qualname__}"
            if inspect.isclass(value) and not issubclass(value, tuple | Exception):
                for method, part in vars(value).items():
                    if inspect.isfunction(part) and not method.startswith("_"):
                        yield f"{value.__module__}.{value.__qualname__}.{method}"


@pytest.mark.parametrize("name", sorted(set(public_names())))
def test_public_name_has_a_complete_numpydoc_docstring(name):
    found = [
        f"{code}: {text}" for code, text in validate(name)["errors"] if code in CHECKS and "{'_" not in text
    ]
    assert found == []
