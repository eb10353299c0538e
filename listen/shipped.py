"""Where the files that come with the package lie, in a checkout and in an install alike."""

from pathlib import Path

from listen.errors import ModelError

PACKAGE = Path(__file__).resolve().parent


def models_folder() -> Path:
    """The folder that holds one folder a shipped model.

    Returns
    -------
    Path
        ``listen/_models`` where the package was installed, ``models`` beside the package
        in a checkout.

    Raises
    ------
    ModelError
        Where neither is there.
    """
    for folder in (PACKAGE / "_models", PACKAGE.parent / "models"):
        if folder.is_dir():
            return folder
    raise ModelError(f"no models beside {PACKAGE}; install cut-listen again, or run it from a whole checkout")
