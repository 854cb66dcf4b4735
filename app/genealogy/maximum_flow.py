"""Maximum flow from supplies to demands along draws. Pure.

Where ways do not meet again it is found leaf by leaf: a node with one draw left serves its own demand first (nothing else can, or it can serve
nothing else), and what remains of its supply or demand, as far as the draw's units go, is its neighbour's. That loses nothing: in any maximum
flow the leaf's own may be exchanged for what took its place. So trees of draws need no matrix, whatever their size. What has no leaf, ways
that part and meet again, is left to SciPy's maximum_flow (Dinitz, Soviet Mathematics Doklady 11 (1970) 1277).
"""

from collections.abc import Sequence

import numpy as np


def maximum_flow(supply: Sequence[int], demand: Sequence[int], draws: Sequence[tuple[int, int, int]]) -> int:
    """`draws`: (parent, child, units) between nodes numbered as in `supply` and `demand`."""
    supply, demand = list(supply), list(demand)
    degree, touching = [0] * len(supply), [0] * len(supply)  # the numbers of a node's draws, all in one exclusive or: the last one's is itself
    for number, (parent, child, _) in enumerate(draws):
        degree[parent], touching[parent] = degree[parent] + 1, touching[parent] ^ number
        degree[child], touching[child] = degree[child] + 1, touching[child] ^ number
    flow = 0
    leaves = [node for node, its in enumerate(degree) if its < 2]
    while leaves:
        node = leaves.pop()
        own = min(supply[node], demand[node])
        flow += own
        if degree[node]:
            number = touching[node]
            parent, child, units = draws[number]
            if node == parent:
                other = child
                supply[child] += min(supply[node] - own, units)
            else:
                other = parent
                demand[parent] += min(demand[node] - own, units)
            degree[node], degree[other], touching[other] = 0, degree[other] - 1, touching[other] ^ number
            if degree[other] == 1:
                leaves.append(other)
        supply[node] = demand[node] = 0
    met = [draw for draw in draws if degree[draw[0]] and degree[draw[1]]]
    return flow + (by_matrix(supply, demand, met) if met else 0)


def by_matrix(supply: Sequence[int], demand: Sequence[int], draws: Sequence[tuple[int, int, int]]) -> int:
    """The same by SciPy alone, whatever the draws are like."""
    from scipy.sparse import csr_array  # SciPy takes a good part of a second, which no start should wait for
    from scipy.sparse.csgraph import maximum_flow as by_scipy

    edges = [(0, node + 2, units) for node, units in enumerate(supply) if units > 0]
    edges += [(node + 2, 1, units) for node, units in enumerate(demand) if units > 0]
    edges += [(parent + 2, child + 2, units) for parent, child, units in draws if units > 0]
    if not edges:
        return 0
    rows, columns, units = np.array(edges, dtype=np.int32).T
    shape = (len(supply) + 2,) * 2
    return int(by_scipy(csr_array((units, (rows, columns)), shape=shape), 0, 1).flow_value)
