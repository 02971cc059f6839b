"""Load lists as an account would send them: rows for cartons, and the same rows as a CSV file."""

import csv
import io
from decimal import Decimal

HEADINGS = (
    "Carton ID",
    "Store",
    "Purchase Order",
    "Description",
    "Weight (lb)",
    "Unit Value",
    "Units per Carton",
    "Food",
)


def rows_of(company, shipment, stores, count, serials, rng):
    """`count` rows as Carton facts, store after store as a warehouse packs them."""
    goods = company.scenario["goods"][shipment.account.legal_name]
    orders = {store.pk: f"PO-{rng.randint(60_000, 69_999)}" for store in stores}
    rows = []
    for line in range(count):
        store = stores[line * len(stores) // count]
        description, weight, value, units = goods[(line * 7 + rng.randint(0, 2)) % len(goods)]
        rows.append(
            {
                "line": line + 1,
                "label": serials.next(),
                "store": store,
                "purchase_order": orders[store.pk],
                "description": description,
                "weight": Decimal(str(weight)),
                "unit_value": Decimal(value),
                "units": units,
                "food": shipment.account.food,
            }
        )
    return rows


def manifest_csv(rows):
    """The rows as the bytes of a CSV file, one heading line first."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(HEADINGS)
    for row in rows:
        writer.writerow(
            [
                row["label"],
                row["store"].number,
                row["purchase_order"],
                row["description"],
                f"{row['weight']:.2f}",
                row["unit_value"],
                row["units"],
                "yes" if row["food"] else "no",
            ]
        )
    return out.getvalue().encode()
