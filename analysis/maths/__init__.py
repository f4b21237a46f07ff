"""Rational models, quantities with uncertainty, numbers in words, tables of text.

The matrices are small: threads of the linear algebra only wait for each other (up to 20 times slower). There is one
thread from the first import on, for the whole process: threads of the window that switched it to and fro for their own
calls would switch it for each other.
"""

import numpy as np  # noqa: F401 - both bring a library of their own, which must be there to be told
import scipy.linalg  # noqa: F401
from threadpoolctl import threadpool_limits

threadpool_limits(limits=1, user_api="blas")
