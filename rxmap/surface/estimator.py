"""What a user of scikit-learn expects of an estimator, without importing scikit-learn, which takes a second."""

from __future__ import annotations

import inspect
from typing import Any, Self

from rxmap.errors import InputError


class Estimator:
    """A constructor that stores, parameters that can be read and set, and a clear word before `fit`.

    `sklearn.base.clone`, `sklearn.model_selection.ParameterGrid` and the like work with it.

    Examples
    --------
    >>> class Nearest(Estimator):
    ...     def __init__(self, *, reach=100.0):
    ...         self.reach = reach
    >>> Nearest(reach=50.0).set_params(reach=20.0).get_params()
    {'reach': 20.0}
    >>> Nearest()
    Nearest(reach=100.0)
    """

    def get_params(self, deep: bool = True) -> dict[str, Any]:
        """Return what the constructor was given, by name; `deep` changes nothing here."""
        return {name: getattr(self, name) for name in inspect.signature(type(self)).parameters}

    def set_params(self, **params: Any) -> Self:
        """Change what the constructor was given; `fit` again before the next prediction.

        Raises
        ------
        InputError
            If there is no such parameter.
        """
        known = self.get_params()
        for name, value in params.items():
            if name not in known:
                raise InputError(f"{type(self).__name__}: found no parameter {name!r}; use {', '.join(known)}")
            setattr(self, name, value)
        return self

    def check_fitted(self) -> None:
        """Refuse to tell anything before something was learned.

        Raises
        ------
        InputError
            Before `fit`.
        """
        if not any(name.endswith("_") and not name.startswith("_") for name in vars(self)):
            raise InputError(f"{type(self).__name__} is not fitted yet: call fit with stops first")

    def __repr__(self) -> str:
        given = ", ".join(f"{name}={value!r}" for name, value in self.get_params().items())
        return f"{type(self).__name__}({given})"
