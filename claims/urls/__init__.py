from importlib import import_module
from pathlib import Path

SLICES = sorted(path.stem for path in Path(__file__).parent.glob("*.py") if path.stem != "__init__")

urlpatterns = [pattern for name in SLICES for pattern in import_module(f"claims.urls.{name}").urlpatterns]
