"""The fitted ear as plain arrays beside a card."""

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.decide.read_out import ReadOut
from listen.decide.shop import Shop
from listen.errors import ModelError
from listen.states import EarRates

Array = NDArray[np.float32]
FORMAT = "cut-listen ear 1"
SECOND_PARTS = ("second", "wider")  # of the arrays; a model may do with the first
LATER_PARTS = ("taught",)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """One layer of gated recurrent units; see `kernels.run_memory` for the shapes.

    Attributes
    ----------
    input_columns, state_columns : ndarray
        The weights of the inputs, and of the memory, turned round, as the kernels take them.
    """

    w_input: Array
    b_input: Array
    w_state: Array
    b_state: Array
    input_columns: Array = field(init=False)
    state_columns: Array = field(init=False)

    def __post_init__(self) -> None:
        for name, weight in (("input_columns", self.w_input), ("state_columns", self.w_state)):
            object.__setattr__(self, name, np.ascontiguousarray(weight.T))

    @property
    def n_units(self) -> int:
        """Size of the memory."""
        return int(self.w_state.shape[1])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Dense:
    """A plain linear layer: `weight` (n_outputs, n_inputs) and `bias` (n_outputs,)."""

    weight: Array
    bias: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Network:
    """What scores frames: a squeeze of the features, layers of memory, and read-outs.

    Attributes
    ----------
    mean, scale : ndarray, shape (n_features,)
        Features are scored as (value - mean) * scale.
    squeeze : Dense
    forward, backward : tuple of Layer
        `backward` is empty for the ear that hears live.
    heads : Dense
    """

    mean: Array
    scale: Array
    squeeze: Dense
    forward: tuple[Layer, ...]
    backward: tuple[Layer, ...]
    heads: Dense


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Model:
    """The ear that hears live, the one that looks a second time, and what is known of both.

    Attributes
    ----------
    name : str
    live : Network
    second : tuple of Network
        Those that look both ways. What they score is their mean: fitted apart, each is wrong at
        other places.
    later : tuple of Network
        Asked together with them once the whole run is heard, and not while it goes on: on a few
        seconds alone they are too careful.
    card : dict
        What it was fitted on and how it scored; see models/README.md.
    rates : EarRates
        Measured on sound that the fit never saw.
    shop : Shop | None
        What a shop has taught besides.
    """

    name: str
    live: Network
    second: tuple[Network, ...]
    card: dict[str, Any]
    rates: EarRates
    shop: Shop | None = None
    later: tuple[Network, ...] = ()


def load_model(folder: Path, *, features: tuple[str, ...], version: int) -> Model:
    """Read a model folder: `arrays.npz` and `card.json`.

    Parameters
    ----------
    folder : Path
    features, version
        What the frames have; the card must name the same.

    Raises
    ------
    ModelError
        If a file is missing or damaged, or the card does not fit the features.
    """
    card, stored = _read(folder, features=features, version=version)
    try:
        live, shop = _network(stored, "live"), _shop(stored)
        second, later = (_kept(stored, parts) for parts in (SECOND_PARTS, LATER_PARTS))
    except (ValueError, KeyError) as error:
        raise _unusable(folder, error) from None
    rates = EarRates(**card["rates"])
    return Model(name=folder.name, live=live, second=second, later=later, card=card, rates=rates, shop=shop)


def load_network(folder: Path, part: str, *, features: tuple[str, ...], version: int) -> Network:
    """One network of a model folder, as `load_model` reads them.

    Parameters
    ----------
    folder : Path
    part : str
        ``live`` or ``second``.
    features, version
        What the network is told; the card must name the same.

    Raises
    ------
    ModelError
        If a file is missing or damaged, or the card does not fit the features.
    """
    _, stored = _read(folder, features=features, version=version)
    try:
        return _network(stored, part)
    except (ValueError, KeyError) as error:
        raise _unusable(folder, error) from None


def _read(
    folder: Path, *, features: tuple[str, ...], version: int
) -> tuple[dict[str, Any], dict[str, Array]]:
    """The card and the arrays of a model folder that fits these features."""
    card = _read_card(folder)
    if card.get("features") != list(features) or card.get("features_version") != version:
        raise ModelError(
            f"model {folder.name} was fitted on features version {card.get('features_version')}, "
            f"this ear measures version {version}; fit it again with tools/train"
        )
    try:
        with np.load(folder / "arrays.npz", allow_pickle=False) as arrays:
            return card, {name: arrays[name].astype(np.float32) for name in arrays.files}
    except (OSError, ValueError, KeyError) as error:
        raise _unusable(folder, error) from None


def _unusable(folder: Path, error: Exception) -> ModelError:
    return ModelError(f"model {folder.name}: arrays.npz cannot be used ({error}); fetch it again")


def save_model(model: Model, folder: Path) -> None:
    """Write a model folder that `load_model` reads back the same."""
    folder.mkdir(parents=True, exist_ok=True)
    arrays = _arrays(model.live, "live")
    for networks, parts in ((model.second, SECOND_PARTS), (model.later, LATER_PARTS)):
        for network, part in zip(networks, parts[: len(networks)], strict=True):
            arrays |= _arrays(network, part)
    if model.shop is not None:
        arrays |= _shop_arrays(model.shop)
    np.savez_compressed(folder / "arrays.npz", allow_pickle=False, **arrays)
    text = json.dumps(model.card, indent=1, ensure_ascii=False)
    (folder / "card.json").write_text(text + "\n", encoding="utf-8")


def _read_card(folder: Path) -> dict[str, Any]:
    try:
        card = json.loads((folder / "card.json").read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise ModelError(f"no model in {folder}: a model folder has arrays.npz and card.json") from None
    except (OSError, ValueError) as error:
        raise ModelError(f"model {folder.name}: card.json cannot be read ({error})") from None
    if not isinstance(card, dict) or card.get("format") != FORMAT:
        raise ModelError(f"model {folder.name}: card.json must have format {FORMAT!r}")
    return card


def _kept(stored: dict[str, Array], parts: tuple[str, ...]) -> tuple[Network, ...]:
    """Those of the networks that are there; ``second`` must be."""
    kept = [part for part in parts if part == "second" or f"{part}.mean" in stored]
    return tuple(_network(stored, part) for part in kept)


def _network(stored: dict[str, Array], prefix: str) -> Network:
    def dense(name: str) -> Dense:
        weight, bias = stored[f"{prefix}.{name}.weight"], stored[f"{prefix}.{name}.bias"]
        return Dense(weight=np.ascontiguousarray(weight), bias=bias)

    def layers(way: str) -> tuple[Layer, ...]:
        found: list[Layer] = []
        while f"{prefix}.{way}{len(found)}.w_input" in stored:
            parts = {
                part: np.ascontiguousarray(stored[f"{prefix}.{way}{len(found)}.{part}"])
                for part in ("w_input", "b_input", "w_state", "b_state")
            }
            found.append(Layer(**parts))
        return tuple(found)

    return Network(
        mean=stored[f"{prefix}.mean"],
        scale=stored[f"{prefix}.scale"],
        squeeze=dense("squeeze"),
        forward=layers("forward"),
        backward=layers("backward"),
        heads=dense("heads"),
    )


def _arrays(network: Network, prefix: str) -> dict[str, Array]:
    arrays = {f"{prefix}.mean": network.mean, f"{prefix}.scale": network.scale}
    for name, dense in (("squeeze", network.squeeze), ("heads", network.heads)):
        arrays[f"{prefix}.{name}.weight"] = dense.weight
        arrays[f"{prefix}.{name}.bias"] = dense.bias
    for way, layers in (("forward", network.forward), ("backward", network.backward)):
        for i, layer in enumerate(layers):
            for part in ("w_input", "b_input", "w_state", "b_state"):
                arrays[f"{prefix}.{way}{i}.{part}"] = getattr(layer, part)
    return arrays


def _shop(stored: dict[str, Array]) -> Shop | None:
    if "shop.numbers" not in stored:
        return None
    mean, spread, weight = (
        stored[f"shop.{part}"].astype(np.float64) for part in ("mean", "spread", "weight")
    )
    bias, far, live_share, second_share = (float(number) for number in stored["shop.numbers"])
    read_out = ReadOut(mean=mean, spread=spread, weight=weight, bias=bias)
    return Shop(read_out=read_out, far=far, live_share=live_share, second_share=second_share)


def _shop_arrays(shop: Shop) -> dict[str, Array]:
    numbers = [shop.read_out.bias, shop.far, shop.live_share, shop.second_share]
    arrays = {f"shop.{part}": getattr(shop.read_out, part) for part in ("mean", "spread", "weight")}
    return {
        name: value.astype(np.float32)
        for name, value in {**arrays, "shop.numbers": np.array(numbers)}.items()
    }
