"""Constant tensors of a TFLite model as numpy arrays, sparse ones made dense."""

import itertools

import numpy as np
from ai_edge_litert import schema_py_generated as schema

NUMPY_TYPES = {
    schema.TensorType.FLOAT32: np.float32,
    schema.TensorType.FLOAT16: np.float16,
    schema.TensorType.INT32: np.int32,
}


def constant(model, tensor):
    """The tensor's constant value (dense, in the tensor's own shape), or None where it is computed at run time."""
    data = model.buffers[tensor.buffer].data
    if data is None or len(data) == 0:
        return None
    if tensor.type not in NUMPY_TYPES:
        raise ValueError(f"tensor {tensor.name!r}: element type {tensor.type} is not handled here; extend NUMPY_TYPES")
    values = np.asarray(data, dtype=np.uint8).view(NUMPY_TYPES[tensor.type])
    shape = tuple(int(n) for n in tensor.shape) if tensor.shape is not None else ()
    if tensor.sparsity is None:
        return values.reshape(shape)
    return densify(values, shape, tensor.sparsity)


def densify(values, shape, sparsity):
    """Spread the stored values of a sparse tensor over zeros.

    TFLite stores a sparse tensor as a tree of levels, one a dimension (block dimensions last), walked in `traversalOrder`;
    a level is dense (every index) or compressed (`arraySegments` and `arrayIndices`, as in a CSR matrix). Source: the
    comments of `SparsityParameters` and `DimensionMetadata` in the TFLite schema.
    """
    rank = len(shape)
    order = [int(d) for d in sparsity.traversalOrder]
    block_map = [int(d) for d in sparsity.blockMap] if sparsity.blockMap is not None else []
    levels = sparsity.dimMetadata
    block_size = {}
    for level, dimension in enumerate(order):
        if dimension >= rank:
            block_size[block_map[dimension - rank]] = int(levels[level].denseSize)
    dense = np.zeros(shape, dtype=values.dtype)
    taken = itertools.count()

    def walk(level, position, index_of):
        if level == len(order):
            where = []
            for dimension in range(rank):
                index = index_of[dimension]
                if dimension in block_size:
                    block = rank + block_map.index(dimension)
                    index = index * block_size[dimension] + index_of[block]
                where.append(index)
            dense[tuple(where)] = values[position]
            next(taken)
            return
        metadata = levels[level]
        if metadata.format == schema.DimensionType.DENSE:
            size = int(metadata.denseSize)
            children = ((position * size + i, i) for i in range(size))
        else:
            segments, indices = metadata.arraySegments.values, metadata.arrayIndices.values
            children = ((p, int(indices[p])) for p in range(int(segments[position]), int(segments[position + 1])))
        for child, index in children:
            walk(level + 1, child, {**index_of, order[level]: index})

    walk(0, 0, {})
    if next(taken) != len(values):
        raise ValueError("sparse tensor: the index arrays do not use every stored value; the file is damaged")
    return dense
