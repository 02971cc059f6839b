"""Static files under names that carry their hash, the addresses between JavaScript modules included."""

from whitenoise.storage import CompressedManifestStaticFilesStorage


class HashedStaticFiles(CompressedManifestStaticFilesStorage):
    """Rewrites `import ... from "./x.js";`, `import("./x.js")` and `new URL("./x", import.meta.url)`.

    Modules must not import each other in a circle: no hash would then ever stand.
    """

    support_js_module_import_aggregation = True
    max_post_process_passes = 12
    patterns = (
        *CompressedManifestStaticFilesStorage.patterns,
        (
            "*.js",
            (
                (
                    r"""(?P<matched>new URL\(\s*["'](?P<url>\.{1,2}/[^"']+)["'],\s*import\.meta\.url\s*\))""",
                    """new URL("%(url)s", import.meta.url)""",
                ),
            ),
        ),
    )
