"""Templates of pages; whatever they are given is escaped."""

import jinja2


def load_template(name: str, *, package: str = "canalmorph.report") -> jinja2.Template:
    """Return a template of a package, which may include those of the report.

    Parameters
    ----------
    name : str
        File in the package's folder ``templates``.
    package : str
        Dotted name.
    """
    packages = dict.fromkeys((package, "canalmorph.report"))
    environment = jinja2.Environment(
        loader=jinja2.ChoiceLoader([jinja2.PackageLoader(one, "templates") for one in packages]),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)
