"""Runs an ONNX network with PyTorch, on a GPU: as many of its operators as Kokoro's network has.

onnxruntime's package for the processor takes about as long as the speech lasts; this takes a
fiftieth on a GPU. The quantised network is turned back into one of floating point first, in which
every matrix product is done at full precision.

The operators are those of ONNX opset 20 and of onnxruntime's `com.microsoft` set.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import onnx
import torch
from onnx import numpy_helper
from torch import Tensor
from torch.nn import functional as F  # noqa: N812  # its usual name

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    Operator = Callable[..., Tensor | tuple[Tensor, ...]]

TYPES = {1: torch.float32, 6: torch.int32, 7: torch.int64, 9: torch.bool}
GATES = (0, 2, 3, 1)
"""Where PyTorch's gates (input, forget, cell, output) stand in ONNX's (i, o, f, c)."""
FINE = 2.0**-10
"""Scale of numbers that the quantised network would have rounded [1]."""


class PlainNetwork:
    """A network that is run node by node.

    Parameters
    ----------
    path : Path
        The ONNX file.
    device : torch.device
        Where numbers that are not shapes are computed.
    """

    def __init__(self, path: Path, device: torch.device) -> None:
        self.device = torch.empty(0, device=device).device
        graph = onnx.load(path).graph
        self.nodes, self.outputs = list(graph.node), [o.name for o in graph.output]
        self.attributes = [
            {a.name: onnx.helper.get_attribute_value(a) for a in node.attribute}
            for node in self.nodes
        ]
        self.known = {t.name: self._kept(numpy_helper.to_array(t)) for t in graph.initializer}
        self._plain_weights: dict[int, Tensor] = {}
        self._last_use = {name: n for n, node in enumerate(self.nodes) for name in node.input}

    @torch.inference_mode()
    def run(self, given: dict[str, np.ndarray]) -> list[np.ndarray]:
        """Return the outputs for named inputs."""
        values = dict(self.known) | {k: self._kept(v) for k, v in given.items()}
        for n, (node, attributes) in enumerate(zip(self.nodes, self.attributes, strict=True)):
            taken = [values[name] if name else None for name in node.input]
            made = getattr(self, f"_{node.op_type.lower()}")(*taken, **attributes)
            made = made if isinstance(made, tuple) else (made,)
            values.update(zip(node.output, made, strict=False))
            for name in node.input:
                if self._last_use[name] == n and name not in self.outputs:
                    values.pop(name, None)
        return [values[name].cpu().numpy() for name in self.outputs]

    def _kept(self, array: np.ndarray) -> Tensor:
        tensor = torch.from_numpy(np.array(array))
        return (
            tensor.to(self.device) if tensor.is_floating_point() or tensor.numel() > 64 else tensor
        )

    def _together(self, *tensors: Tensor) -> list[Tensor]:
        """Bring tensors to one device: shapes live on the processor, the rest on the GPU."""
        if any(t.device == self.device and t.ndim for t in tensors):
            return [t.to(self.device) for t in tensors]
        return list(tensors)

    # Arithmetic

    def _add(self, a: Tensor, b: Tensor) -> Tensor:
        a, b = self._together(a, b)
        return a + b

    def _sub(self, a: Tensor, b: Tensor) -> Tensor:
        a, b = self._together(a, b)
        return a - b

    def _mul(self, a: Tensor, b: Tensor) -> Tensor:
        a, b = self._together(a, b)
        return a * b

    def _div(self, a: Tensor, b: Tensor) -> Tensor:
        a, b = self._together(a, b)
        return a / b if a.is_floating_point() else a // b

    def _pow(self, a: Tensor, b: Tensor) -> Tensor:
        a, b = self._together(a, b)
        return a.square() if b.numel() == 1 and float(b) == 2 else a**b

    def _equal(self, a: Tensor, b: Tensor) -> Tensor:
        a, b = self._together(a, b)
        return a == b

    def _less(self, a: Tensor, b: Tensor) -> Tensor:
        a, b = self._together(a, b)
        return a < b

    def _greater(self, a: Tensor, b: Tensor) -> Tensor:
        a, b = self._together(a, b)
        return a > b

    def _greaterorequal(self, a: Tensor, b: Tensor) -> Tensor:
        a, b = self._together(a, b)
        return a >= b

    def _and(self, a: Tensor, b: Tensor) -> Tensor:
        a, b = self._together(a, b)
        return a & b

    def _where(self, where: Tensor, a: Tensor, b: Tensor) -> Tensor:
        where, a, b = self._together(where, a, b)
        return torch.where(where, a, b)

    def _floor(self, x: Tensor) -> Tensor:
        return x.floor()

    def _round(self, x: Tensor) -> Tensor:
        return x.round()

    def _sqrt(self, x: Tensor) -> Tensor:
        return x.sqrt()

    def _exp(self, x: Tensor) -> Tensor:
        return x.exp()

    def _sin(self, x: Tensor) -> Tensor:
        return x.sin()

    def _cos(self, x: Tensor) -> Tensor:
        return x.cos()

    def _atan(self, x: Tensor) -> Tensor:
        return x.nan_to_num().atan()  # of 0 / 0, where a spectrum is exactly 0

    def _tanh(self, x: Tensor) -> Tensor:
        return x.tanh()

    def _sigmoid(self, x: Tensor) -> Tensor:
        return x.sigmoid()

    def _softmax(self, x: Tensor, axis: int) -> Tensor:
        return x.softmax(axis)

    def _leakyrelu(self, x: Tensor, alpha: float) -> Tensor:
        return F.leaky_relu(x, alpha)

    def _fastgelu(self, x: Tensor, bias: Tensor | None = None) -> Tensor:
        return F.gelu(x if bias is None else x + bias, approximate="tanh")

    def _clip(self, x: Tensor, low: Tensor | None = None, high: Tensor | None = None) -> Tensor:
        return x.clamp(None if low is None else float(low), None if high is None else float(high))

    def _cumsum(self, x: Tensor, axis: Tensor, **_: Any) -> Tensor:
        return x.cumsum(int(axis))

    def _reducemean(self, x: Tensor, axes: Tensor, keepdims: int, **_: Any) -> Tensor:
        return x.mean(axes.tolist(), keepdim=bool(keepdims))

    def _reducesum(self, x: Tensor, axes: Tensor, keepdims: int, **_: Any) -> Tensor:
        return x.sum(axes.tolist(), keepdim=bool(keepdims))

    # Shapes

    def _identity(self, x: Tensor) -> Tensor:
        return x

    def _cast(self, x: Tensor, to: int, **_: Any) -> Tensor:
        cast = x.to(TYPES[to])
        return cast.to(self.device) if to == 1 else cast

    def _shape(self, x: Tensor, start: int = 0, end: int | None = None) -> Tensor:
        return torch.tensor(x.shape[start:end], dtype=torch.int64)

    def _constantofshape(self, shape: Tensor, value: onnx.TensorProto) -> Tensor:
        filled = (
            torch.from_numpy(numpy_helper.to_array(value).copy()).expand(shape.tolist()).clone()
        )
        return filled.to(self.device) if filled.is_floating_point() else filled

    def _range(self, start: Tensor, stop: Tensor, step: Tensor) -> Tensor:
        return torch.arange(start.item(), stop.item(), step.item(), dtype=start.dtype)

    def _gather(self, x: Tensor, index: Tensor, axis: int = 0) -> Tensor:
        if index.ndim == 0:
            return x.select(axis, int(index))
        index = index.to(x.device).long()
        found = x.index_select(axis, torch.where(index < 0, index + x.shape[axis], index).flatten())
        return found.reshape(*x.shape[:axis], *index.shape, *x.shape[axis:][1:])

    def _split(
        self, x: Tensor, sizes: Tensor | None = None, axis: int = 0, **more: Any
    ) -> tuple[Tensor, ...]:
        if sizes is None:
            return x.tensor_split(more["num_outputs"], axis)
        return x.split(sizes.tolist(), axis)

    def _concat(self, *parts: Tensor, axis: int) -> Tensor:
        return torch.cat(self._together(*parts), axis)

    def _unsqueeze(self, x: Tensor, axes: Tensor) -> Tensor:
        for axis in sorted(a % (x.ndim + axes.numel()) for a in axes.tolist()):
            x = x.unsqueeze(axis)
        return x

    def _squeeze(self, x: Tensor, axes: Tensor | None = None) -> Tensor:
        return x.squeeze() if axes is None else x.squeeze(tuple(axes.tolist()))

    def _transpose(self, x: Tensor, perm: list[int]) -> Tensor:
        return x.permute(perm)

    def _reshape(self, x: Tensor, shape: Tensor, allowzero: int = 0) -> Tensor:
        sizes = [
            x.shape[n] if s == 0 and not allowzero else s for n, s in enumerate(shape.tolist())
        ]
        return x.reshape(sizes)

    def _expand(self, x: Tensor, shape: Tensor) -> Tensor:
        return x.expand(torch.broadcast_shapes(x.shape, tuple(shape.tolist())))

    def _slice(
        self,
        x: Tensor,
        starts: Tensor,
        ends: Tensor,
        axes: Tensor | None = None,
        steps: Tensor | None = None,
    ) -> Tensor:
        along = range(starts.numel()) if axes is None else axes.tolist()
        strides = [1] * starts.numel() if steps is None else steps.tolist()
        for axis, begin, end, step in zip(
            along, starts.tolist(), ends.tolist(), strides, strict=True
        ):
            cut = range(x.shape[axis])[begin:end:step]
            x = (
                x.index_select(axis, torch.tensor(list(cut), device=x.device, dtype=torch.int64))
                if step != 1
                else x.narrow(axis, cut.start, len(cut))
            )
        return x

    def _pad(
        self,
        x: Tensor,
        pads: Tensor,
        value: Tensor | None = None,
        axes: Tensor | None = None,
        mode: bytes = b"constant",
    ) -> Tensor:
        half = pads.numel() // 2
        last_first = [int(p) for n in reversed(range(half)) for p in (pads[n], pads[n + half])]
        if mode == b"constant":
            return F.pad(x, last_first, value=0.0 if value is None else float(value))
        folded = x.reshape(-1, 1, x.shape[-1])
        return F.pad(folded, last_first[:2], mode=mode.decode()).reshape(*x.shape[:-1], -1)

    def _nonzero(self, x: Tensor) -> Tensor:
        return x.nonzero().T

    def _scatternd(self, x: Tensor, index: Tensor, updates: Tensor, **_: Any) -> Tensor:
        x, index, updates = self._together(x, index, updates)
        changed = x.clone()
        changed[tuple(index.unbind(-1))] = updates
        return changed

    # Layers

    def _dynamicquantizelinear(self, x: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Leave the numbers as they are, but for a fine scale, to which biases are rounded."""
        return (
            x / FINE,
            torch.full((), FINE, device=self.device),
            torch.zeros((), dtype=torch.uint8),
        )

    def _dequantizelinear(
        self, x: Tensor, scale: Tensor, zero: Tensor | None = None, **_: Any
    ) -> Tensor:
        return _scaled(x, zero, scale, self.device)

    def _matmulinteger(self, a: Tensor, b: Tensor, _a_zero: Tensor, b_zero: Tensor) -> Tensor:
        return a @ self._plain(b, b_zero)

    def _convinteger(
        self, x: Tensor, w: Tensor, _x_zero: Tensor, w_zero: Tensor, **how: Any
    ) -> Tensor:
        return self._conv(x, self._plain(w, w_zero), **how)

    def _matmul(self, a: Tensor, b: Tensor) -> Tensor:
        return a @ b

    def _fusedmatmul(self, a: Tensor, b: Tensor, alpha: float, **how: int) -> Tensor:
        a = a.transpose(-1, -2) if how["transA"] else a
        return alpha * (a @ (b.transpose(-1, -2) if how["transB"] else b))

    def _conv(self, x: Tensor, w: Tensor, b: Tensor | None = None, **how: Any) -> Tensor:
        left, right = how["pads"]
        return F.conv1d(
            F.pad(x, (left, right)), w, b, how["strides"], 0, how["dilations"], how["group"]
        )

    def _convtranspose(self, x: Tensor, w: Tensor, b: Tensor | None = None, **how: Any) -> Tensor:
        extra = how.get("output_padding", [0])
        return F.conv_transpose1d(
            x, w, b, how["strides"], how["pads"][0], extra, how["group"], how["dilations"]
        )

    def _layernormalization(
        self, x: Tensor, gain: Tensor, bias: Tensor, epsilon: float, **_: Any
    ) -> Tensor:
        return F.layer_norm(x, x.shape[-1:], gain, bias, epsilon)

    def _skiplayernormalization(
        self,
        x: Tensor,
        skip: Tensor,
        gain: Tensor,
        shift: Tensor,
        bias: Tensor | None = None,
        *,
        epsilon: float,
    ) -> Tensor:
        total = x + skip if bias is None else x + skip + bias
        return F.layer_norm(total, total.shape[-1:], gain, shift, epsilon)

    def _dynamicquantizelstm(self, *taken: Tensor, **how: Any) -> tuple[Tensor, ...]:
        x, w, r, b, _, h, c, _, ws, wz, rs, rz = taken
        w, r = (self._plain(m, z, s).transpose(1, 2) for m, s, z in ((w, ws, wz), (r, rs, rz)))
        gates = [
            _gates(t)
            for t in (w, r, b[:, : 4 * how["hidden_size"]], b[:, 4 * how["hidden_size"] :])
        ]
        weights = [g[side].contiguous() for side in range(2) for g in gates]
        y, h, c = torch._VF.lstm(x, (h, c), weights, True, 1, 0.0, False, True, False)
        return y.unflatten(2, (2, -1)).transpose(1, 2), h, c

    def _plain(self, x: Tensor, zero: Tensor | None, scale: Tensor | None = None) -> Tensor:
        """Return weights as they were before they were quantised; they are kept."""
        key = x.data_ptr()
        if key not in self._plain_weights:
            self._plain_weights[key] = _scaled(x, zero, scale, self.device)
        return self._plain_weights[key]

    def _resize(self, x: Tensor, _roi: Tensor | None, scales: Tensor, **how: Any) -> Tensor:
        size = math.floor(x.shape[2] * float(scales[2]))
        if how["mode"] == b"nearest":
            return F.interpolate(x, size, mode="nearest")
        return F.interpolate(x, size, mode="linear", align_corners=False)

    def _stft(
        self, x: Tensor, step: Tensor, window: Tensor, length: Tensor | None = None, **_: Any
    ) -> Tensor:
        frames = x.reshape(x.shape[0], -1).unfold(1, len(window), int(step)) * window
        return torch.view_as_real(torch.fft.rfft(frames))


def _scaled(x: Tensor, zero: Tensor | None, scale: Tensor | None, device: torch.device) -> Tensor:
    """Turn whole numbers back; zero and scale are single, or go along the first or last axis."""
    numbers = x.to(device).float()
    for part, what in ((zero, torch.sub), (scale, torch.mul)):
        if part is not None:
            numbers = what(numbers, _fitted(part.to(device).float(), numbers))
    return numbers


def _fitted(part: Tensor, whole: Tensor) -> Tensor:
    if part.numel() == 1:
        return part.reshape(())
    first = part.numel() == whole.shape[0]
    return part.reshape(-1, *[1] * (whole.ndim - 1)) if first else part


def _gates(weights: Tensor) -> Tensor:
    return torch.cat([weights.chunk(4, 1)[g] for g in GATES], 1)
