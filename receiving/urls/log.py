from django.urls import path

from receiving.views import log, piece

urlpatterns = [
    path("<site:site>/log/", log.log, name="log"),
    path("<site:site>/trailer/<int:number>/log/", log.log_trailer, name="log_trailer"),
    path("<site:site>/trailer/<int:number>/set-aside/", log.set_aside, name="set_aside"),
    path("<site:site>/piece/<int:number>/", piece.piece, name="piece"),
    path("<site:site>/piece/<int:number>/complete/", log.piece_complete, name="piece_complete"),
    path("<site:site>/piece/<int:number>/amend/", piece.piece_amend, name="piece_amend"),
    path("<site:site>/piece/<int:number>/void/", piece.piece_void, name="piece_void"),
    path("<site:site>/piece/<int:number>/attribute/", piece.piece_attribute, name="piece_attribute"),
    path("<site:site>/piece/<int:number>/finding/", piece.piece_finding, name="piece_finding"),
    path("<site:site>/piece/<int:number>/store-report/", piece.piece_store_report, name="piece_store_report"),
    path("<site:site>/piece/<int:number>/dispose/", piece.piece_dispose, name="piece_dispose"),
    path("<site:site>/piece/<int:number>/food/", piece.piece_food, name="piece_food"),
    path("<site:site>/piece/<int:number>/found/", piece.piece_found, name="piece_found"),
    path("<site:site>/piece/<int:number>/match/", piece.piece_match, name="piece_match"),
    path("<site:site>/piece/<int:number>/notice/", piece.piece_notice, name="piece_notice"),
    path("<site:site>/piece/<int:number>/tag/", piece.tag, name="tag"),
]
