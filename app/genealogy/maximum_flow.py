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
    touching: list[set[int]] = [set() for _ in supply]
    for number, (parent, child, _) in enumerate(draws):
        touching[parent].add(number)
        touching[child].add(number)
    flow = 0
    leaves = [node for node, its in enumerate(touching) if len(its) < 2]
    while leaves:
        node = leaves.pop()
        own = min(supply[node], demand[node])
        flow, supply[node], demand[node] = flow + own, supply[node] - own, demand[node] - own
        if not touching[node]:
            continue
        number = touching[node].pop()
        parent, child, units = draws[number]
        other = child if node == parent else parent
        if node == parent:
            supply[child] += min(supply[parent], units)
        else:
            demand[parent] += min(demand[child], units)
        supply[node] = demand[node] = 0
        touching[other].discard(number)
        if len(touching[other]) == 1:
            leaves.append(other)
    met = sorted({number for its in touching for number in its})
    return flow + (by_matrix(supply, demand, [draws[number] for number in met]) if met else 0)


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
