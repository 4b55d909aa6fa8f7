"""The arithmetic of the water: sachet to concentrate, concentrate to stock, stock to dose, and what is lost on the way.

Pure functions; mg/L, litres, hours, degrees Celsius; every result with its standard uncertainty and 95 % interval.
``sachet`` and ``generation``; ``dilution`` and ``recipe``; ``decay`` and ``line``; ``injection``; ``vapour``,
``chlorine`` and ``contact``. Import from the modules: some need numpy, most do not.
"""

__all__: list[str] = []
