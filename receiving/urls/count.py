from django.urls import path

from receiving.views import count

urlpatterns = [
    path("<site:site>/trailer/<int:number>/count/", count.count, name="count"),
    path("<site:site>/trailer/<int:number>/count/scan/", count.scan, name="count_scan"),
    path("<site:site>/trailer/<int:number>/count/undo/", count.undo, name="count_undo"),
    path("<site:site>/trailer/<int:number>/count/tally/", count.tally, name="count_tally"),
    path("<site:site>/trailer/<int:number>/count/tally/<int:shipment>/", count.tally_tap, name="count_tally_tap"),
    path("<site:site>/trailer/<int:number>/count/file/", count.scan_file, name="count_file"),
    path("<site:site>/trailer/<int:number>/cartons.json", count.cartons_json, name="cartons_json"),
    path("<site:site>/pallets/", count.pallets, name="pallets"),
    path("<site:site>/pallets/new/", count.pallet_new, name="pallet_new"),
    path("<site:site>/pallets/<int:number>/close/", count.pallet_close, name="pallet_close"),
]
