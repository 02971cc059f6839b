from django.urls import path

from receiving.views import setup as views

LIST = "<site:site>/setup/<list:kind>/"

urlpatterns = [
    path("<site:site>/setup/", views.menu, name="setup"),
    path("<site:site>/setup/site/", views.site_facts, name="setup_site"),
    path("<site:site>/setup/people/", views.people_list, name="setup_people"),
    path("<site:site>/setup/people/new/", views.person_new, name="setup_person_new"),
    path("<site:site>/setup/people/existing/", views.person_existing, name="setup_person_existing"),
    path("<site:site>/setup/people/<int:pk>/", views.member, name="setup_member"),
    path("<site:site>/setup/people/<int:pk>/remove/", views.member_remove, name="setup_member_remove"),
    path("<site:site>/setup/people/<int:pk>/password/", views.password, name="setup_password"),
    path(LIST, views.overview, name="setup_list"),
    path(f"{LIST}new/", views.new, name="setup_new"),
    path(f"{LIST}export.<str:format>", views.export, name="setup_export"),
    path(f"{LIST}upload/", views.upload, name="setup_upload"),
    path(f"{LIST}upload/<uuid:number>/", views.preview, name="setup_preview"),
    path(f"{LIST}upload/<uuid:number>/confirm/", views.confirm, name="setup_confirm"),
    path(f"{LIST}upload/<uuid:number>/discard/", views.discard, name="setup_discard"),
    path(f"{LIST}<int:pk>/", views.edit, name="setup_edit"),
    path(f"{LIST}<int:pk>/out/", views.take_out, name="setup_out"),
    path(f"{LIST}<int:pk>/back/", views.bring_back, name="setup_back"),
    path("<site:site>/setup/codes/<int:pk>/replace/", views.replace, name="setup_replace"),
]
