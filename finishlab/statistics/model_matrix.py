"""Model matrices as every fit of this room wants them: enough rows, no column told by the others."""

from __future__ import annotations

import numpy as np

from finishlab.errors import ModelError


def checked(matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """
    Return a model matrix with columns of size one, and the sizes they had.

    With columns of size one NIST's hardest polynomial is still of full rank.

    Raises
    ------
    ModelError
        No row more than columns, or columns that cannot be told apart.

    Examples
    --------
    >>> scaled, size = checked(np.array([[1.0, 3], [1, -3], [1, 3], [1, -3]]))
    >>> size.tolist(), scaled[:2].tolist()
    ([2.0, 6.0], [[0.5, 0.5], [0.5, -0.5]])
    """
    n, p = matrix.shape
    if n <= p:
        raise ModelError(f"{n} trials cannot fit {p} terms and leave a spread to judge by. Add trials.")
    size = np.sqrt((matrix**2).sum(axis=0))
    scaled = matrix / np.where(size > 0, size, 1.0)
    rank = np.linalg.matrix_rank(scaled, tol=1e-13 * max(n, p))
    if rank < p:
        raise ModelError(
            f"{p} columns of the model hold only {rank} different ones: some settings always changed "
            "together. Vary them apart, or leave one out."
        )
    return scaled, size
